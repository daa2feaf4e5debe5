#include "settle/block_voter.h"

#include <malloc.h>

#include <map>

#include "passes/layout.h"
#include "settle/bench.h"
#include "vote/plain.h"

namespace steadycell::settle {
namespace {

TEST_F(SettleTest, SlicesGiveTheSameVotesAsWholeBlocks) {
  const Geometry geometry = small_chip();
  const Bytes truth = random_bytes(geometry.block_raw_bytes() * 8, 1);
  std::vector<Bytes> reads;
  for (std::uint64_t pass = 0; pass < 9; ++pass) reads.push_back(with_flips(truth, 0.1, pass));
  capture_of(geometry, reads);
  auto reader = passes::CaptureReader::open(files::posix(), path("capture"));
  ASSERT_TRUE(reader);
  // Side by side, and counted pass after pass in slices.
  BlockVoter whole(*reader, 1 << 20), sliced(*reader, vote::Tally::bytes(3, geometry.raw_page_bytes(), 9));
  EXPECT_EQ(whole.pages_per_slice(), 4U);
  ASSERT_EQ(sliced.pages_per_slice(), 3U);
  ASSERT_TRUE(whole.take({}, {5}, 0));
  Bytes dissent_whole(3 * geometry.raw_page_bytes()), dissent_sliced = dissent_whole;
  for (std::uint32_t first = 0; first < 4; first += 3) {
    ASSERT_TRUE(sliced.take({}, {5}, first));
    ASSERT_EQ(sliced.pages(), first == 0 ? 3U : 1U);
    for (std::uint32_t page = 0; page < sliced.pages(); ++page) {
      const VotedPage a = whole.vote(first + page, dissent_whole).value(), b = sliced.vote(page, dissent_sliced).value();
      EXPECT_EQ(a.vote, b.vote);
      EXPECT_TRUE(std::ranges::equal(a.voted, b.voted));
      EXPECT_TRUE(std::ranges::equal(a.unsure, b.unsure));
      EXPECT_TRUE(dissent_whole == dissent_sliced);
    }
  }
}

// Block 0 comes page by page, where there is memory for it; in block 1 pass 3 is too noisy for that. With pages that a pass did not
// read, pass 1 among them.
TEST_F(SettleTest, PassesPageByPageGiveTheSameVotesAsWholeOnes) {
  const Geometry geometry = small_chip();
  const Bytes truth = random_bytes(geometry.block_raw_bytes() * 2, 1);
  const std::uint32_t passes = 6;
  {
    passes::CaptureWriter writer = new_capture(geometry);
    for (std::uint32_t pass = 1; pass <= passes; ++pass)
      for (std::uint32_t block = 0; block < 2; ++block) {
        std::vector<PageStatus> status(4, PageStatus::read);
        if (pass == 1 || pass == 4) status[2] = PageStatus::transfer_error;
        if (pass == 5) status[0] = PageStatus::ready_timeout;
        const ByteSpan right = ByteSpan(truth).subspan(block * geometry.block_raw_bytes(), geometry.block_raw_bytes());
        const double flips = block == 1 && pass == 3 ? 0.4 : 5e-3;
        ASSERT_TRUE(writer.append_unit({{}, {block}, pass}, with_flips(Bytes(right.begin(), right.end()), flips, pass), status));
      }
    ASSERT_TRUE(writer.finish());
  }
  auto reader = passes::CaptureReader::open(files::posix(), path("capture"));
  ASSERT_TRUE(reader);
  ASSERT_TRUE(passes::BlockPasses(*reader, kVoterBytes / 2).begin(std::vector{UnitAddress{{}, {0}, 1}, {{}, {0}, 2}, {{}, {0}, 3}}));
  ASSERT_FALSE(passes::BlockPasses(*reader, kVoterBytes / 2).begin(std::vector{UnitAddress{{}, {1}, 1}, {{}, {1}, 2}, {{}, {1}, 3}}));
  BlockVoter by_pages(*reader, kVoterBytes), side_by_side(*reader, passes * geometry.block_raw_bytes());
  BlockVoter counted(*reader, vote::Tally::bytes(4, geometry.raw_page_bytes(), passes));
  std::uint64_t unstable = 0, tied = 0;
  Bytes dissent(2 * geometry.raw_page_bytes()), other_dissent = dissent;
  for (std::uint32_t block = 0; block < 2; ++block) {
    for (BlockVoter* voter : {&by_pages, &side_by_side, &counted}) ASSERT_TRUE(voter->take({}, {block}, 0));
    by_pages.expect({}, {1});
    for (std::uint32_t page = 0; page < 4; ++page) {
      const VotedPage a = by_pages.vote(page, dissent).value();
      for (BlockVoter* voter : {&side_by_side, &counted}) {
        const VotedPage b = voter->vote(page, other_dissent).value();
        EXPECT_EQ(a.vote, b.vote);
        EXPECT_TRUE(std::ranges::equal(a.voted, b.voted)) << block << " " << page;
        EXPECT_TRUE(std::ranges::equal(a.unsure, b.unsure)) << block << " " << page;
        EXPECT_EQ(dissent, other_dissent) << block << " " << page;
        EXPECT_EQ(by_pages.failed_reads(page), voter->failed_reads(page));
        EXPECT_EQ(by_pages.status(page), voter->status(page));
      }
      unstable += a.vote.unstable_bits;
      tied += a.vote.tied_bits;
    }
  }
  EXPECT_GT(unstable, 1000U);
  EXPECT_GT(tied, 0U);
}

TEST_F(SettleTest, CountersOfTheLargestBlocksStayWithinTheirMemory) {
  const Geometry geometry = large_block(512);
  passes::CaptureWriter writer = new_capture(geometry);
  const std::vector<PageStatus> all(512, PageStatus::read);
  const Bytes block(geometry.block_raw_bytes(), 0x5A);
  ASSERT_TRUE(writer.append_unit({{}, {0}, 1}, block, all));
  ASSERT_TRUE(writer.append_unit({{}, {0}, 255}, block, all));
  auto reader = passes::CaptureReader::open(files::posix(), path("capture"));
  ASSERT_TRUE(reader);
  constexpr std::uint64_t kLimit = std::uint64_t{24} << 20;
  const BlockVoter voter(*reader, kLimit);
  EXPECT_LE(vote::Tally::bytes(voter.pages_per_slice(), geometry.raw_page_bytes(), 255), kLimit);
  EXPECT_GT(voter.pages_per_slice(), 100U);
}

// A hole in the journal took the record of pass 1, and its block was read anew, with other wrong bits. The later passes, all right, are
// differences to the pass 1 that is gone: they abstain, and are noted.
TEST_F(SettleTest, WhatWasMadeToAPassOneThatIsGoneAbstains) {
  const Geometry geometry = small_chip();
  const Bytes right = random_bytes(geometry.block_raw_bytes(), 1);
  const std::vector<PageStatus> read(4, PageStatus::read);
  Bytes first = right, anew = right;
  flip(first, 60);
  flip(anew, 7200);
  {
    passes::CaptureWriter writer = new_capture(geometry);
    for (std::uint32_t pass = 1; pass <= 5; ++pass) ASSERT_TRUE(writer.append_unit({{}, {0}, pass}, pass == 1 ? first : right, read));
    ASSERT_TRUE(writer.finish());
  }
  const auto record = passes::CaptureReader::open(files::posix(), path("capture"))->units().record_of({{}, {0}, 1});
  ASSERT_TRUE(record);
  {
    auto journal = files::posix().open_write(path("capture/journal"));
    ASSERT_TRUE(journal && (*journal)->write_at(*record + 40, Bytes{0}));
  }
  {
    auto writer = passes::CaptureWriter::open(files::posix(), path("capture"));
    ASSERT_TRUE(writer);
    ASSERT_TRUE(writer->append_unit({{}, {0}, 1}, anew, read));
    ASSERT_TRUE(writer->seal_pass(1));
    ASSERT_TRUE(writer->finish());
  }
  const Summary summary = settled();
  EXPECT_EQ(file("image/pages.raw"), anew);
  EXPECT_EQ(summary.manifest.summary.of(image::Verdict::doubtful), 4U) << "one pass is left";
  auto reader = passes::CaptureReader::open(files::posix(), path("capture"));
  ASSERT_TRUE(reader);
  BlockVoter voter(*reader, kVoterBytes);
  ASSERT_TRUE(voter.take({}, {0}, 0));
  EXPECT_EQ(voter.lost().notes(reader->head()).size(), 1U);
  for (std::uint32_t page = 0; page < 4; ++page) EXPECT_EQ(voter.vote(page)->vote.votes, 1U);
}

// A difference that has its hash and ends in the middle of the block, which shows only when its pages come.
TEST_F(SettleTest, ADifferenceThatBreaksOffAbstainsFromThereOn) {
  Geometry geometry = small_chip();
  geometry.pages_per_block = 512;
  const std::vector<PageStatus> read(geometry.pages_per_block, PageStatus::read);
  const Bytes right = random_bytes(geometry.block_raw_bytes(), 1);
  std::vector<Bytes> passes;
  for (std::uint32_t pass = 1; pass <= 5; ++pass) passes.push_back(with_flips(right, 0.02, pass));
  {
    passes::CaptureWriter writer = new_capture(geometry);
    for (std::uint32_t pass = 1; pass <= 5; ++pass) ASSERT_TRUE(writer.append_unit({{}, {0}, pass}, passes[pass - 1], read));
    ASSERT_TRUE(writer.seal_pass(1));
    ASSERT_TRUE(writer.finish());
  }
  {
    // Pass 4 once more: the first half of its frame, with the hash of that.
    auto reader = passes::CaptureReader::open(files::posix(), path("capture"));
    ASSERT_TRUE(reader);
    passes::UnitRecord record{{{}, {0}, 4}, *reader->facts({{}, {0}, 4})};
    ASSERT_TRUE(record.facts.difference_sha256);
    Bytes frame = files::read_whole(files::posix(), path("capture/pass-0004.dat"), 1 << 20).value();
    frame.resize(frame.size() / 2);
    record.facts.stored_bytes = frame.size();
    record.facts.difference_sha256 = passes::difference_digest(reader->facts({{}, {0}, 1})->sha256, frame);
    const passes::Contents& contents = reader->contents();
    auto journal = files::posix().open_write(path("capture/journal"));
    ASSERT_TRUE(journal);
    passes::JournalWriter writer(std::move(*journal), contents.journal_end, contents.next_sequence, contents.head);
    ASSERT_TRUE(writer.append(passes::RecordType::unit, passes::to_json(record)));
  }
  auto reader = passes::CaptureReader::open(files::posix(), path("capture"));
  ASSERT_TRUE(reader);
  Bytes plain_voted(geometry.raw_page_bytes()), plain_unsure = plain_voted;
  BlockVoter voter(*reader, kVoterBytes);
  ASSERT_TRUE(voter.take({}, {0}, 0));
  std::map<std::uint32_t, std::uint32_t> pages_by_votes;
  for (std::uint32_t page = 0; page < geometry.pages_per_block; ++page) {
    const auto voted = voter.vote(page);
    ASSERT_TRUE(voted) << voted.error().text();
    ++pages_by_votes[voted->vote.votes];
    std::vector<ByteSpan> voters;
    for (std::uint32_t pass = 1; pass <= 5; ++pass)
      if (pass != 4 || voted->vote.votes == 5)
        voters.push_back(ByteSpan(passes[pass - 1]).subspan(page * geometry.raw_page_bytes(), geometry.raw_page_bytes()));
    vote::plain::majority(voters, plain_voted, plain_unsure);
    ASSERT_TRUE(std::ranges::equal(voted->voted, plain_voted)) << page;
    ASSERT_TRUE(std::ranges::equal(voted->unsure, plain_unsure)) << page;
  }
  EXPECT_GT(pages_by_votes[5], 100U);
  EXPECT_GT(pages_by_votes[4], 100U);
  EXPECT_EQ(voter.lost().notes(reader->head()).size(), 1U);
  EXPECT_EQ(settled().manifest.summary.total(), geometry.pages_per_block);
}

// 768 pages of 16 KiB + 1280 by three passes: too much to lie side by side, and their counters for one slice, and yet they come page by
// page.
TEST_F(SettleTest, LargeBlocksComePageByPageThroughAllSlices) {
  const Geometry geometry = large_block(768);
  const std::vector<PageStatus> read(geometry.pages_per_block, PageStatus::read);
  Bytes block(geometry.block_raw_bytes(), 0x5A);
  {
    passes::CaptureWriter writer = new_capture(geometry);
    for (std::uint32_t pass = 1; pass <= 3; ++pass) {
      flip(block, std::size_t{767} * geometry.raw_page_bytes() * 8 + pass);
      ASSERT_TRUE(writer.append_unit({{}, {0}, pass}, block, read));
    }
    ASSERT_TRUE(writer.finish());
  }
  auto reader = passes::CaptureReader::open(files::posix(), path("capture"));
  ASSERT_TRUE(reader);
  const auto heap = [] { return mallinfo2().uordblks + mallinfo2().hblkhd; };
  const std::size_t before = heap();
  BlockVoter voter(*reader, kVoterBytes);
  ASSERT_LT(voter.pages_per_slice(), geometry.pages_per_block);
  std::uint32_t pages = 0, unstable = 0;
  for (std::uint32_t first = 0; first < geometry.pages_per_block; first += voter.pages_per_slice()) {
    ASSERT_TRUE(voter.take({}, {0}, first));
    for (std::uint32_t page = 0; page < voter.pages(); ++page) {
      const auto voted = voter.vote(page);
      ASSERT_TRUE(voted);
      EXPECT_EQ(voted->vote.votes, 3U);
      unstable += voted->vote.unstable_bits;
      ++pages;
    }
  }
  EXPECT_EQ(pages, geometry.pages_per_block);
  EXPECT_EQ(unstable, 2U);
  EXPECT_LT(heap() - before, kVoterBytes / 2 + (1 << 20)) << "no counters were made";
}

}  // namespace
}  // namespace steadycell::settle
