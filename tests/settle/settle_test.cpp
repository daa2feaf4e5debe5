#include "settle/settle.h"

#include <gmock/gmock.h>

#include <cmath>
#include <cstdlib>

#include "image/corrections.h"
#include "image/margins.h"
#include "settle/bench.h"
#include "settle/block_voter.h"
#include "settle/full_disk.h"
#include "vote/odds.h"
#include "vote/plain.h"

namespace steadycell::settle {
namespace {

using image::By;
using image::Cause;
using image::Verdict;
using ::testing::Contains;
using ::testing::HasSubstr;

// --- without a code

TEST_F(SettleTest, PassesThatAgreeAreSteadyAndWaveringOnesDoubtful) {
  const Geometry geometry = small_chip();
  std::vector<Bytes> reads(3, random_bytes(geometry.block_raw_bytes() * geometry.blocks, 1));
  flip(reads[1], 5 * geometry.raw_page_bytes() * 8 + 77);  // page 5, once
  capture_of(geometry, reads);
  const Summary summary = settled();
  EXPECT_EQ(summary.manifest.summary.of(Verdict::steady), 31U);
  EXPECT_EQ(summary.manifest.summary.of(Verdict::doubtful), 1U);
  EXPECT_EQ(summary.manifest.summary.unstable_bits, 1U);
  EXPECT_EQ(summary.passes, 3U);
  EXPECT_EQ(summary.causes, (std::map<Cause, std::uint64_t>{{Cause::weak_cells, 1}}));
  const image::PageVerdict row = verdicts().at(5);
  EXPECT_EQ(row.verdict, Verdict::doubtful);
  EXPECT_EQ(row.by, By::vote);
  EXPECT_FALSE(row.false_odds);
  EXPECT_EQ(row.cause, Cause::weak_cells);
  EXPECT_EQ(file("image/pages.raw"), reads[0]) << "two of three are right";
  EXPECT_EQ(summary.sha256, Sha256::of(reads[0]));
}

TEST_F(SettleTest, OnePassWithoutACodeIsDoubtful) {
  capture_of(small_chip(), {random_bytes(small_chip().block_raw_bytes() * 8, 1)});
  EXPECT_EQ(settled().manifest.summary.of(Verdict::doubtful), 32U);
}

TEST_F(SettleTest, PagesThatNoPassReadAreFilledAndSayWhy) {
  const Geometry geometry = small_chip();
  const Bytes block = random_bytes(geometry.block_raw_bytes(), 1);
  {
    passes::CaptureWriter writer = new_capture(geometry);
    using enum PageStatus;
    ASSERT_TRUE(writer.append_unit({{}, {3}, 1}, block, std::vector{read, transfer_error, ready_timeout, ready_timeout}));
    ASSERT_TRUE(writer.append_unit({{}, {3}, 2}, block, std::vector{read, transfer_error, ready_timeout, read}));
    ASSERT_TRUE(writer.seal_pass(1));
  }
  const Summary summary = settled();
  const std::vector<image::PageVerdict> rows = verdicts();
  ASSERT_EQ(rows.size(), 4U) << "only block 3 was captured";
  EXPECT_EQ(rows[0].page, PageAddress{12});
  EXPECT_EQ(rows[0].verdict, Verdict::steady);
  EXPECT_EQ(rows[1].verdict, Verdict::unread);
  EXPECT_EQ(rows[1].cause, Cause::transfer);
  EXPECT_EQ(rows[2].verdict, Verdict::unread);
  EXPECT_EQ(rows[2].cause, Cause::chip_busy);
  EXPECT_EQ(rows[3].verdict, Verdict::doubtful) << "the one pass that read it is alone";
  const Bytes pages = file("image/pages.raw");
  EXPECT_EQ(Bytes(pages.begin() + 528, pages.begin() + 1584), Bytes(1056, 0xFF));
  EXPECT_TRUE(std::equal(pages.begin() + 1584, pages.end(), block.begin() + 1584));
  EXPECT_EQ(summary.manifest.fill_byte, 0xFF);
  EXPECT_EQ(summary.manifest.coverage[0].ranges, (std::vector<image::BlockRange>{{3, 1}}));
  EXPECT_THAT(summary.manifest.notes, Contains(HasSubstr("5 page reads failed")));
}

// F-01: an image of a part, with nothing wrong in it, would be taken for one of the whole.
TEST_F(SettleTest, F01_AnUnfinishedFirstPassIsSettledOnRequestOnly) {
  const Geometry geometry = small_chip();
  const std::vector<PageStatus> all(4, PageStatus::read);
  {
    passes::CaptureWriter writer = new_capture(geometry);
    ASSERT_TRUE(writer.append_unit({{}, {0}, 1}, random_bytes(geometry.block_raw_bytes(), 1), all));
    ASSERT_TRUE(writer.append_unit({{}, {1}, 1}, random_bytes(geometry.block_raw_bytes(), 2), all));
    ASSERT_TRUE(writer.finish());  // stopped, not killed
  }
  const auto refused = settle(files::posix(), request());
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().code(), ErrorCode::bad_input_file);
  EXPECT_THAT(refused.error().text(), HasSubstr("pass 1"));
  EXPECT_THAT(refused.error().text(), HasSubstr("2 blocks"));
  EXPECT_THAT(refused.error().text(), HasSubstr("--allow-partial"));
  EXPECT_FALSE(std::filesystem::exists(path("image")));
  Request partial = request();
  partial.allow_partial = true;
  const auto summary = settle(files::posix(), partial);
  ASSERT_TRUE(summary) << summary.error().text();
  EXPECT_TRUE(summary->partial);
  EXPECT_THAT(summary->manifest.notes, Contains(HasSubstr("pass 1 was not finished")));
  EXPECT_EQ(summary->manifest.coverage[0].ranges, (std::vector<image::BlockRange>{{0, 2}}));
}

// F-48: blocks of unequal numbers of passes; an even number of votes keeps the first on a tie, and that is on record.
TEST_F(SettleTest, F48_BlocksMayHaveDifferentNumbersOfPassesAndTiesKeepTheFirst) {
  const Geometry geometry = small_chip();
  const Bytes first = random_bytes(geometry.block_raw_bytes(), 1);
  Bytes second = first;
  flip(second, 9);
  const std::vector<PageStatus> all(4, PageStatus::read);
  {
    passes::CaptureWriter writer = new_capture(geometry);
    ASSERT_TRUE(writer.append_unit({{}, {0}, 1}, first, all));
    ASSERT_TRUE(writer.append_unit({{}, {1}, 1}, first, all));
    ASSERT_TRUE(writer.append_unit({{}, {0}, 2}, second, all));
    ASSERT_TRUE(writer.seal_pass(1));
  }
  const Summary summary = settled();
  EXPECT_EQ(summary.tied_bits, 1U);
  EXPECT_THAT(summary.manifest.notes, Contains(HasSubstr("keeps the bit of the first pass that read the page: 1 bits")));
  const Bytes pages = file("image/pages.raw");
  EXPECT_TRUE(std::equal(first.begin(), first.end(), pages.begin()));
  EXPECT_EQ(verdicts()[1].verdict, Verdict::steady);
  EXPECT_EQ(verdicts()[4].verdict, Verdict::doubtful);
}

// The wrong bits of the settled image against the closed form, sum over k > n/2 of C(n,k) p^k (1-p)^(n-k): within 4.5
// standard deviations of the expectation over 540 672 cells that all flip with the same chance on every read.
TEST_F(SettleTest, MajorityErrsAsOftenAsTheBinomialTailSays) {
  Geometry geometry = small_chip();
  geometry.blocks = 32;
  const Bytes truth = random_bytes(geometry.block_raw_bytes() * geometry.blocks, 1);
  for (const auto& [p, votes] : {std::pair{0.1, 3U}, {0.1, 5U}, {0.2, 7U}, {0.05, 4U}}) {
    std::vector<Bytes> reads;
    for (std::uint32_t pass = 0; pass < votes; ++pass) reads.push_back(with_flips(truth, p, 100 * votes + pass));
    capture_of(geometry, reads);
    settled();
    const double expected = static_cast<double>(truth.size()) * 8 * vote::majority_error(votes, p);
    EXPECT_NEAR(static_cast<double>(differing_bits(file("image/pages.raw"), truth)), expected, 4.5 * std::sqrt(expected))
        << votes << " passes, p = " << p;
    TearDown();
    SetUp();
  }
}

TEST_F(SettleTest, WaveringOnOneLaneIsCalledAContact) {
  const Geometry geometry = small_chip();
  const Bytes truth = random_bytes(geometry.block_raw_bytes() * geometry.blocks, 1);
  std::vector<Bytes> reads(3, truth);
  for (std::size_t byte = 100; byte < truth.size(); byte += 50) flip(reads[byte % 3], byte * 8 + 6);
  capture_of(geometry, reads);
  const Summary summary = settled();
  EXPECT_EQ(summary.lanes.lane, 6U);
  EXPECT_EQ(summary.causes.size(), 1U);
  EXPECT_EQ(summary.causes.begin()->first, Cause::one_lane);
  EXPECT_THAT(summary.manifest.notes, Contains(HasSubstr("I/O line 6")));
}

TEST_F(SettleTest, EachLunHasItsOwnPagesFile) {
  Geometry geometry = small_chip();
  geometry.luns = 2;
  const std::vector<PageStatus> all(4, PageStatus::read);
  std::vector<Bytes> content;
  {
    passes::CaptureWriter writer = new_capture(geometry, 2);
    for (std::uint8_t target = 0; target < 2; ++target) {
      for (std::uint8_t lun = 0; lun < 2; ++lun) {
        content.push_back(random_bytes(geometry.block_raw_bytes(), content.size()));
        ASSERT_TRUE(writer.append_unit({{target, lun}, {lun}, 1}, content.back(), all));
      }
    }
    ASSERT_TRUE(writer.seal_pass(1));
  }
  const Summary summary = settled();
  EXPECT_EQ(file("image/pages-t0-l0.raw"), content[0]);
  EXPECT_EQ(file("image/pages-t0-l1.raw"), content[1]);
  EXPECT_EQ(file("image/pages-t1-l0.raw"), content[2]);
  EXPECT_EQ(file("image/pages-t1-l1.raw"), content[3]);
  Sha256 all_pages;
  for (const Bytes& lun : content) all_pages.update(lun);
  EXPECT_EQ(summary.sha256, all_pages.finish());
  EXPECT_EQ(verdicts().back().page, PageAddress{7});
}

// --- the bundle

// A stranger with plain Python and coreutils can check what was written.
TEST_F(SettleTest, StrangersCanReadTheBundle) {
  const Geometry geometry = small_chip();
  const Bytes truth = random_bytes(geometry.block_raw_bytes() * geometry.blocks, 1);
  capture_of(geometry, {with_flips(truth, 1e-4, 1), with_flips(truth, 1e-4, 2), with_flips(truth, 1e-4, 3)});
  settled();
  const std::string python = std::string(STEADYCELL_PYTHON) + " " STEADYCELL_SOURCE_DIR "/tests/image/read_bundle.py " + path("image");
  EXPECT_EQ(std::system((python + " > " + path("python.log") + " 2>&1").c_str()), 0) << as_text(file("python.log"));
  const std::string sums = "cd " + path("image") + " && sha256sum --strict --check SHA256SUMS > " + path("sums.log") + " 2>&1";
  EXPECT_EQ(std::system(sums.c_str()), 0) << as_text(file("sums.log"));
}

TEST_F(SettleTest, MarginsSayHowManyVotesWentAgainstEachBit) {
  const Geometry geometry = small_chip();
  const Bytes truth = random_bytes(geometry.block_raw_bytes() * geometry.blocks, 1);
  std::vector<Bytes> reads;
  for (std::uint64_t pass = 0; pass < 6; ++pass) reads.push_back(with_flips(truth, 0.2, pass));
  capture_of(geometry, reads);
  settled();
  image::MarginsReader reader(geometry.raw_page_bytes(), geometry.pages_per_block);
  const Bytes pages = file("image/pages.raw");
  std::uint64_t compared = 0;
  const auto fed = reader.feed(file("image/margins.bin"), [&](std::uint64_t page, const image::PageMargins& margins) -> Result<void> {
    EXPECT_EQ(margins.votes, 6U);
    for (std::size_t bit = 0; bit < geometry.raw_page_bytes() * 8; bit += 13) {
      const std::size_t at = page * geometry.raw_page_bytes() * 8 + bit;
      const auto bit_of = [&](const Bytes& bytes) { return bytes[at / 8] >> (at % 8) & 1; };
      const auto against = static_cast<std::uint32_t>(
          std::count_if(reads.begin(), reads.end(), [&](const Bytes& read) { return bit_of(read) != bit_of(pages); }));
      EXPECT_EQ(image::against_of(margins, geometry.raw_page_bytes(), bit), against);
      ++compared;
    }
    return {};
  });
  ASSERT_TRUE(fed) << fed.error().text();
  EXPECT_TRUE(reader.finish(32));
  EXPECT_GT(compared, 10'000U);
}

// From stored passes to the image, beside the plain loop: block b has b + 1 passes, and in pass 2 one page of each failed.
TEST_F(SettleTest, WholeSettleGivesWhatThePlainLoopDoes) {
  const Geometry geometry = small_chip();
  const std::size_t page_bytes = geometry.raw_page_bytes();
  std::vector<std::vector<Bytes>> reads(geometry.blocks);
  {
    passes::CaptureWriter writer = new_capture(geometry);
    for (std::uint32_t pass = 1; pass <= geometry.blocks; ++pass)
      for (std::uint32_t block = pass - 1; block < geometry.blocks; ++block) {
        reads[block].push_back(with_flips(random_bytes(geometry.block_raw_bytes(), block), 0.05, 100 * pass + block));
        std::vector<PageStatus> status(geometry.pages_per_block, PageStatus::read);
        if (pass == 2) status[block % 4] = PageStatus::transfer_error;
        ASSERT_TRUE(writer.append_unit({{}, {block}, pass}, reads[block].back(), status));
      }
    ASSERT_TRUE(writer.seal_pass(1));
  }
  settled();
  const Bytes pages = file("image/pages.raw");
  const std::vector<image::PageVerdict> rows = verdicts();
  image::MarginsReader reader(geometry.raw_page_bytes(), geometry.pages_per_block);
  std::uint64_t seen = 0;
  const auto fed = reader.feed(file("image/margins.bin"), [&](std::uint64_t page, const image::PageMargins& margins) -> Result<void> {
    const std::size_t block = page / 4, in_block = page % 4;
    std::vector<ByteSpan> voters;
    for (std::size_t pass = 0; pass < reads[block].size(); ++pass)
      if (pass != 1 || in_block != block % 4) voters.push_back(ByteSpan(reads[block][pass]).subspan(in_block * page_bytes, page_bytes));
    Bytes voted(page_bytes), unsure(page_bytes);
    vote::plain::majority(voters, voted, unsure);
    EXPECT_TRUE(std::ranges::equal(voted, ByteSpan(pages).subspan(page * page_bytes, page_bytes))) << "page " << page;
    EXPECT_EQ(rows[page].unstable_bits, count_ones(unsure)) << "page " << page;
    EXPECT_EQ(margins.votes, voters.size());
    for (std::size_t bit = 0; bit < page_bytes * 8; ++bit) {
      const auto ones = vote::plain::ones(voters, bit);
      const auto fewer = std::min<std::size_t>(ones, voters.size() - ones);
      EXPECT_EQ(image::against_of(margins, geometry.raw_page_bytes(), bit), fewer) << page << ", bit " << bit;
    }
    ++seen;
    return {};
  });
  ASSERT_TRUE(fed) << fed.error().text();
  EXPECT_EQ(seen, 32U);
}

TEST_F(SettleTest, SameCaptureGivesTheSameBytes) {
  const Bytes truth = random_bytes(small_chip().block_raw_bytes() * 8, 1);
  capture_of(small_chip(), {with_flips(truth, 1e-3, 1), with_flips(truth, 1e-3, 2)});
  settled();
  std::filesystem::rename(path("image"), path("before"));
  settled();
  for (const char* name : {"manifest.json", "pages.raw", "verdicts.csv", "margins.bin", "corrections.xor.zst",
                           "blocks.sha256", "SHA256SUMS"}) {
    EXPECT_EQ(file(std::string("image/") + name), file(std::string("before/") + name)) << name;
  }
}

// --- with a code; pages and their code written by the Linux kernel

// 5 passes over a FAT volume: one cell in 500 flips on every fifth read, one in 20 000 is always wrong.
TEST_F(SettleTest, KernelVolumeComesBackThroughNoiseByItsCode) {
  const Geometry geometry = kernel_chip(6);
  Bytes truth = kernel_vector("fat16-bch4-2k.raw.gz");
  ASSERT_GE(truth.size(), geometry.block_raw_bytes() * geometry.blocks);
  truth.resize(geometry.block_raw_bytes() * geometry.blocks);
  const Bytes stuck = with_flips(truth, 1.0 / 20'000, 1);
  Bytes weak(truth.size());
  weak = with_flips(weak, 1.0 / 500, 2);
  std::vector<Bytes> reads;
  for (std::uint64_t pass = 0; pass < 5; ++pass) {
    reads.push_back(stuck);
    const Bytes coins = with_flips(Bytes(truth.size()), 0.2, 10 + pass);
    for (std::size_t at = 0; at < truth.size(); ++at)
      reads.back()[at] = static_cast<std::uint8_t>(reads.back()[at] ^ (weak[at] & coins[at]));
  }
  capture_of(geometry, reads);
  const Summary summary = settled(kernel_bch4());

  const Bytes pages = file("image/pages.raw");
  const std::vector<image::PageVerdict> rows = verdicts();
  ASSERT_EQ(rows.size(), 384U);
  std::uint64_t wrong_bits = 0, corrected_bits = 0;
  for (std::size_t page = 0; page < rows.size(); ++page) {
    if (rows[page].verdict != Verdict::confirmed && rows[page].verdict != Verdict::corrected) continue;
    ASSERT_LE(*rows[page].false_odds, 1e-6);
    const ByteSpan best = ByteSpan(pages).subspan(page * 2112, 2112), right = ByteSpan(truth).subspan(page * 2112, 2112);
    wrong_bits += differing_bits(best.first(2048), right.first(2048));
    for (std::size_t at = 2112 - 28; at < 2112; ++at) {  // the last four bits of each seven code bytes are padding
      const unsigned code_bits = (at - (2112 - 28)) % 7 == 6 ? 0xF0 : 0xFF;
      wrong_bits += static_cast<std::uint64_t>(std::popcount((best[at] ^ right[at]) & code_bits));
    }
    corrected_bits += rows[page].corrected_bits;
  }
  EXPECT_EQ(wrong_bits, 0U) << "nothing that the code vouches for may be wrong";
  EXPECT_GT(summary.manifest.summary.of(Verdict::confirmed) + summary.manifest.summary.of(Verdict::corrected), 370U);
  EXPECT_EQ(summary.manifest.summary.of(Verdict::steady), 0U);
  EXPECT_GT(corrected_bits, 500U);
  // The rate after the vote: stuck cells and the majority error of the weak ones.
  const double expected = 1.0 / 20'000 + vote::majority_error(5, 0.2) / 500;
  EXPECT_NEAR(*summary.manifest.raw_bit_error_rate, expected, 0.15 * expected);
}

TEST_F(SettleTest, CorrectionsGiveTheVoteBack) {
  const Geometry geometry = kernel_chip(1);
  Bytes truth = kernel_vector("fat16-bch4-2k.raw.gz");
  truth.resize(geometry.block_raw_bytes());
  Bytes wrong = truth;
  flip(wrong, 3 * 2112 * 8 + 700);
  flip(wrong, 9 * 2112 * 8 + 900);
  capture_of(geometry, {wrong, wrong, wrong});
  EXPECT_EQ(settled(kernel_bch4()).manifest.summary.corrected_bits, 2U);
  Bytes pages = file("image/pages.raw");
  EXPECT_EQ(pages, truth);
  image::CorrectionsReader reader(2112, 64);
  const auto fed = reader.feed(file("image/corrections.xor.zst"), [&](std::uint64_t page, ByteSpan difference) -> Result<void> {
    for (std::size_t at = 0; at < difference.size(); ++at) pages[page * 2112 + at] ^= difference[at];
    return {};
  });
  ASSERT_TRUE(fed) << fed.error().text();
  EXPECT_TRUE(reader.finish(64));
  EXPECT_EQ(pages, wrong);
}

TEST_F(SettleTest, PageBeyondTheCodeIsDoubtfulAndKeepsItsOtherSteps) {
  const Geometry geometry = kernel_chip(1);
  Bytes truth = kernel_vector("fat16-bch4-2k.raw.gz");
  truth.resize(geometry.block_raw_bytes());
  Bytes wrong = truth;
  for (std::size_t bit = 0; bit < 40; ++bit) flip(wrong, 7 * 2112 * 8 + 97 * bit);  // step 0 of page 7: 40 of 4
  flip(wrong, 7 * 2112 * 8 + 1500 * 8);                                            // step 2: one
  capture_of(geometry, {wrong, wrong, wrong});
  const Summary summary = settled(kernel_bch4());
  const image::PageVerdict row = verdicts()[7];
  EXPECT_EQ(row.verdict, Verdict::doubtful);
  EXPECT_EQ(row.by, By::code);
  EXPECT_EQ(row.corrected_bits, 1U);
  EXPECT_FALSE(row.false_odds);
  EXPECT_EQ(summary.manifest.summary.of(Verdict::doubtful), 1U);
  const Bytes pages = file("image/pages.raw");
  EXPECT_EQ(differing_bits(pages, truth), 40U) << "the failed step stands as voted";
  EXPECT_THAT(summary.manifest.notes, Contains(HasSubstr("1 of 256 codewords failed")));
}

// Of a small image the verdicts come last, behind all that was decoded; why pages waver is told all the same.
TEST_F(SettleTest, WhyAPageWaversIsToldWithACodeToo) {
  const Geometry geometry = kernel_chip(1);
  Bytes truth = kernel_vector("fat16-bch4-2k.raw.gz");
  truth.resize(geometry.block_raw_bytes());
  Bytes wavering = truth;
  flip(wavering, 7 * 2112 * 8 + 1500 * 8);
  capture_of(geometry, {truth, wavering, truth});
  const Summary summary = settled(kernel_bch4());
  EXPECT_EQ(summary.causes, (std::map<Cause, std::uint64_t>{{Cause::weak_cells, 1}}));
  EXPECT_EQ(verdicts()[7].cause, Cause::weak_cells);
  EXPECT_EQ(verdicts()[7].verdict, Verdict::confirmed);
}

bool has_erased_step(ByteSpan data) {
  for (std::size_t at = 0; at < data.size(); at += 256) {
    const ByteSpan step = data.subspan(at, 256);
    if (std::all_of(step.begin(), step.end(), [](std::uint8_t byte) { return byte == 0xFF; })) return true;
  }
  return false;
}

// The odds rule. One error is all that Hamming corrects, and any odd pattern looks like one: where one codeword in ten
// needs it, more than one error is too likely to vouch for 1e-6. BCH with t = 8 corrects as many with ease.
TEST_F(SettleTest, HammingNearItsLimitIsDoubtfulWhereBchVouches) {
  const Geometry geometry = kernel_chip(2);
  for (const bool hamming : {true, false}) {
    Bytes truth = kernel_vector(hamming ? "hamming-2k.raw.gz" : "bch8-2k.raw.gz");
    truth.resize(geometry.block_raw_bytes() * geometry.blocks);
    Bytes wrong = truth;
    for (std::size_t page = 0; page < 128; ++page) flip(wrong, (page * 2112 + page * 16 % 2048) * 8 + page % 8);
    capture_of(geometry, {wrong, wrong, wrong});
    const Summary summary = settled(hamming ? kernel_hamming() : kernel_bch8());
    const Bytes pages = file("image/pages.raw");
    EXPECT_EQ(pages, truth) << "both correct all bits";
    if (hamming) {
      std::uint64_t written = 0;  // pages without an all-FF step: such a step is vouched for as erased
      for (const image::PageVerdict& row : verdicts()) {
        if (has_erased_step(ByteSpan(truth).subspan(row.page.index * 2112, 2048))) continue;
        ++written;
        EXPECT_EQ(row.verdict, Verdict::doubtful) << row.page.index;
        EXPECT_EQ(row.by, By::code);
        EXPECT_GT(row.false_odds.value_or(0), 1e-6);
      }
      EXPECT_EQ(written, 100U);
    } else {
      EXPECT_EQ(summary.manifest.summary.of(Verdict::corrected), 128U);
      EXPECT_LT(*verdicts()[0].false_odds, 1e-12);
    }
    TearDown();
    SetUp();
  }
}

TEST_F(SettleTest, ErasedPagesAreRecognisedAndWrittenAsFf) {
  const Geometry geometry = kernel_chip(1);
  Bytes content = kernel_vector("fat16-bch4-2k.raw.gz");
  content.resize(geometry.block_raw_bytes());
  std::fill(content.begin() + 32 * 2112, content.end(), std::uint8_t{0xFF});
  Bytes read = content;
  flip(read, 40 * 2112 * 8 + 333);           // data
  flip(read, (40 * 2112 + 2050) * 8);        // spare, outside the code
  for (std::size_t bit = 0; bit < 8; ++bit) flip(read, (50 * 2112 + 2048) * 8 + bit);  // a bad-block mark
  capture_of(geometry, {read, read, read});
  settled(kernel_bch4());
  const std::vector<image::PageVerdict> rows = verdicts();
  EXPECT_EQ(rows[33].verdict, Verdict::confirmed);
  EXPECT_EQ(rows[33].by, By::erased);
  EXPECT_EQ(rows[40].verdict, Verdict::corrected);
  EXPECT_EQ(rows[40].by, By::erased);
  EXPECT_EQ(rows[40].corrected_bits, 2U);
  EXPECT_EQ(rows[31].by, By::code);
  const Bytes pages = file("image/pages.raw");
  EXPECT_EQ(Bytes(pages.begin() + 40 * 2112, pages.begin() + 41 * 2112), Bytes(2112, 0xFF));
  EXPECT_EQ(pages[50 * 2112 + 2048], 0x00) << "a mark in the spare area is kept";
}

TEST_F(SettleTest, OnePassIsEnoughWhereTheCodeVouches) {
  const Geometry geometry = kernel_chip(2);
  Bytes truth = kernel_vector("fat16-bch4-2k.raw.gz");
  truth.resize(geometry.block_raw_bytes() * geometry.blocks);
  capture_of(geometry, {truth});
  EXPECT_EQ(settled(kernel_bch4()).manifest.summary.of(Verdict::confirmed), 128U);
}

// --- bad input

TEST_F(SettleTest, SchemeForAnotherPageSizeIsRefused) {
  capture_of(small_chip(), {random_bytes(small_chip().block_raw_bytes() * 8, 1)});
  const auto summary = settle(files::posix(), request(kernel_bch4()));
  ASSERT_FALSE(summary);
  EXPECT_EQ(summary.error().code(), ErrorCode::bad_input_file);
  EXPECT_THAT(summary.error().text(), HasSubstr("pages of 2048 + 64 bytes, the chip has 512 + 16"));
  EXPECT_TRUE(left_nothing("image"));
}

TEST_F(SettleTest, NeverOverwritesAnImage) {
  capture_of(small_chip(), {random_bytes(small_chip().block_raw_bytes() * 8, 1)});
  settled();
  const Bytes before = file("image/manifest.json");
  const auto again = settle(files::posix(), request());
  ASSERT_FALSE(again);
  EXPECT_EQ(again.error().code(), ErrorCode::already_exists);
  EXPECT_EQ(file("image/manifest.json"), before);
}

TEST_F(SettleTest, EmptyCaptureSaysWhatToDo) {
  new_capture(small_chip());
  const auto summary = settle(files::posix(), request());
  ASSERT_FALSE(summary);
  EXPECT_EQ(summary.error().code(), ErrorCode::bad_input_file);
  EXPECT_THAT(summary.error().text(), HasSubstr("read or import at least one pass"));
}

TEST_F(SettleTest, MissingCaptureIsNotFound) {
  const auto summary = settle(files::posix(), request());
  ASSERT_FALSE(summary);
  EXPECT_EQ(summary.error().code(), ErrorCode::not_found);
}

TEST_F(SettleTest, StopsOnRequestWithoutAnImage) {
  capture_of(small_chip(), {random_bytes(small_chip().block_raw_bytes() * 8, 1)});
  std::atomic<bool> stop = false;
  std::uint64_t blocks = 0;
  const Hooks hooks{.progress = [&](const Progress& now) { blocks = now.done; stop = now.done == 3; }, .stop = &stop};
  const auto summary = settle(files::posix(), request(), hooks);
  ASSERT_FALSE(summary);
  EXPECT_EQ(summary.error().code(), ErrorCode::interrupted);
  EXPECT_EQ(blocks, 3U);
  EXPECT_TRUE(left_nothing("image"));
  settled();
}

TEST_F(SettleTest, F23_FullDiskLeavesNoImageAndTheCaptureGoodToGoOn) {
  capture_of(small_chip(), {random_bytes(small_chip().block_raw_bytes() * 8, 1)});
  std::uint64_t room = 0;
  int refused = 0;
  for (;; room += 997) {
    FullDisk disk(room);
    const auto summary = settle(disk, request());
    if (summary) break;
    ++refused;
    ASSERT_EQ(summary.error().code(), ErrorCode::storage_full) << summary.error().text();
    ASSERT_TRUE(left_nothing("image")) << room;
  }
  EXPECT_GT(refused, 15) << "the image has 17 KiB of pages alone";
}

}  // namespace
}  // namespace steadycell::settle
