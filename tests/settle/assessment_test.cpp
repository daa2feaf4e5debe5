// What only shows inside: several LUNs, blocks that were not read, pages that were not read, stops. Dumps of an
// independent generator, and the comparison with the program ent, are in tests/end_to_end/assess_test.py.
#include "settle/assessment.h"

#include <set>

#include "settle/bench.h"
#include "settle/image_files.h"

namespace steadycell::settle {
namespace {

constexpr std::uint32_t kPagesPerBlock = 16, kSequences = 24;  // 24 pages and 16 a block: sequences go on by 8

class AssessmentTest : public SettleTest {
 protected:
  Geometry chip() const {
    Geometry geometry = small_chip();
    geometry.pages_per_block = kPagesPerBlock;
    geometry.blocks = 64;
    return geometry;
  }

  // Text, zeros or nothing to be seen, a third of the pages each.
  static Bytes contents(std::uint32_t page) {
    std::mt19937 random(page);
    const auto kind = random() % 6;
    if (kind < 2) return random_bytes(512, 7000 + page);
    Bytes out(512, 0);
    if (kind < 4)
      for (std::uint8_t& byte : out) byte = static_cast<std::uint8_t>("etaoin shrdlu the page of the spare area "[random() % 41]);
    return out;
  }

  // Page of block `block` of its LUN under sequence (16 block + page) mod 24; the spare area is random.
  static Bytes whitened(std::uint32_t page, std::uint32_t seed) {
    const Bytes mask = random_bytes(512, 100 + page % kSequences);
    Bytes out = contents(page + seed);
    for (std::size_t i = 0; i < out.size(); ++i) out[i] = static_cast<std::uint8_t>(out[i] ^ mask[i]);
    const Bytes spare = random_bytes(16, 90000 + page + seed);
    out.insert(out.end(), spare.begin(), spare.end());
    return out;
  }

  // Two targets, each with blocks 3 to 20 and 33 to 60; page 5 of each block was not read.
  void capture_two_luns() const {
    passes::CaptureWriter writer = new_capture(chip(), 2);
    std::vector<PageStatus> status(kPagesPerBlock, PageStatus::read);
    status[5] = PageStatus::not_read;
    for (std::uint8_t target = 0; target < 2; ++target)
      for (std::uint32_t block = 3; block <= 60; ++block) {
        if (block > 20 && block < 33) continue;
        Bytes unit;
        for (std::uint32_t page = 0; page < kPagesPerBlock; ++page) {
          const Bytes raw = whitened(block * kPagesPerBlock + page, target * 100000u);
          unit.insert(unit.end(), raw.begin(), raw.end());
        }
        const auto added = writer.append_unit({{target, 0}, {block}, 1}, unit, status);
        ASSERT_TRUE(added) << added.error().text();
      }
    ASSERT_TRUE(writer.seal_pass(1));
  }

  Result<Assessment> assessed(const std::string& name, const Hooks& hooks = {}) const {
    auto source = PageSource::open(files::posix(), path(name));
    if (!source) return failure(source.error());
    return assess_content(*source, hooks);
  }
};

TEST_F(AssessmentTest, BlocksCountFromTheStartOfTheirLunNotOfTheImage) {
  capture_two_luns();
  const Summary summary = settled();
  ASSERT_EQ(summary.manifest.coverage.size(), 2u);
  for (const char* from : {"capture", "image"}) {
    const auto found = assessed(from);
    ASSERT_TRUE(found) << found.error().text();
    EXPECT_EQ(found->pages.unread, 2 * 46u);
    EXPECT_EQ(found->pages.read(), 2 * 46u * 15);
    ASSERT_EQ(found->content, assess::Content::scrambled) << from << found->because;
    const auto& table = std::get<assess::SequenceTable>(found->whitening->key.whitening);
    EXPECT_EQ(table.period, (assess::Period{.pages = kPagesPerBlock, .blocks = 3, .step = 0}))
        << "24 sequences that go on by 16 pages a block come back after three blocks";
    if (std::string(from) == "capture") continue;
    const auto exported =
        export_image_to(files::posix(), path("image"),
                        {.view = image::View::data, .unwhiten = found->whitening->key}, path("out"));
    ASSERT_TRUE(exported) << exported.error().text();
    const Bytes out = file("out");
    std::size_t right = 0, pages = 0;
    for (std::uint8_t target = 0; target < 2; ++target)
      for (std::uint32_t block = 3; block <= 60; ++block) {
        if (block > 20 && block < 33) continue;
        for (std::uint32_t page = 0; page < kPagesPerBlock; ++page, ++pages) {
          const Bytes expected = contents(block * kPagesPerBlock + page + target * 100000u);
          right +=
              std::equal(expected.begin(), expected.end(), out.begin() + static_cast<std::ptrdiff_t>(pages * 512))
                  ? 1
                  : 0;
        }
      }
    EXPECT_EQ(exported->pages, pages);
    std::uint64_t off = 0, all = 0, listed = 0;
    for (std::size_t i = 0; i < assess::kUnwhitened; ++i) {
      all += exported->unwhitened[i];
      off += assess::taken_off(static_cast<assess::Unwhitened>(i)) ? exported->unwhitened[i] : 0;
    }
    for (const LeftWhitened& run : exported->left) listed += run.count;
    const auto of = [&](assess::Unwhitened what) { return exported->unwhitened[static_cast<std::size_t>(what)]; };
    EXPECT_EQ(all, pages);
    EXPECT_EQ(listed, pages - of(assess::Unwhitened::proven) - of(assess::Unwhitened::assumed) - of(assess::Unwhitened::erased));
    EXPECT_GE(right, off * 98 / 100);
    EXPECT_GE(off, pages * 80 / 100);
  }
}

// A dozen pages tell most of a sequence, and some sequences not at all: those must not be called known.
TEST_F(AssessmentTest, WhatFewPagesTellIsSaidAsThatAndNoMore) {
  constexpr std::uint32_t kBlocks = 12;
  std::uint64_t uncertain = 0, unknown = 0;
  for (std::uint32_t round = 0; round < 4; ++round) {
    Geometry geometry = chip();
    geometry.blocks = kBlocks;
    const auto mask = [&](std::uint32_t page) { return random_bytes(512, 100 + 50 * round + page); };
    Bytes pass;
    for (std::uint32_t page = 0; page < kBlocks * kPagesPerBlock; ++page) {
      std::uint32_t seed = page + 100000 * round;
      Bytes raw = contents(seed);
      if (page % 3 != 0)  // fewer zeros than elsewhere here: they tell most
        while (raw == Bytes(512, 0)) raw = contents(seed += 10000);
      const Bytes with = mask(page % kPagesPerBlock), spare = random_bytes(16, 90000 + page);
      for (std::size_t i = 0; i < raw.size(); ++i) raw[i] = static_cast<std::uint8_t>(raw[i] ^ with[i]);
      pass.insert(pass.end(), raw.begin(), raw.end());
      pass.insert(pass.end(), spare.begin(), spare.end());
    }
    std::filesystem::remove_all(path("capture"));
    capture_of(geometry, {pass});
    const auto found = assessed("capture");
    ASSERT_TRUE(found && found->whitening);
    const auto& sequences = std::get<assess::SequenceTable>(found->whitening->key.whitening).sequences;
    ASSERT_EQ(sequences.size(), kPagesPerBlock);
    std::uint64_t wrong = 0;
    for (std::uint32_t i = 0; i < kPagesPerBlock; ++i) {
      if (sequences[i].empty()) {
        ++unknown;
        continue;
      }
      std::uint64_t here = 0;
      const Bytes right = mask(i);
      for (std::size_t at = 0; at < 512; ++at) here += sequences[i][at] != right[at] ? 1 : 0;
      EXPECT_LE(here, 512u / 10) << i;
      wrong += here;
    }
    EXPECT_LE(wrong, found->whitening->uncertain_bytes + 2);
    uncertain += found->whitening->uncertain_bytes;
  }
  EXPECT_GT(uncertain, 0u);
  EXPECT_GT(unknown, 0u);
}

TEST_F(AssessmentTest, StopsWithinEachStage) {
  capture_two_luns();
  std::set<std::string> stages;
  ASSERT_TRUE(assessed("capture", {.progress = [&](const Progress& now) { stages.insert(std::string(now.stage)); },
                                   .stop = nullptr}));
  EXPECT_EQ(stages, (std::set<std::string>{"assessing", "comparing pages", "looking for the whitening"}));
  for (const std::string& stage : stages) {
    std::atomic<bool> stop = false;
    const auto found = assessed(
        "capture", {.progress = [&](const Progress& now) { stop = stop || now.stage == stage; }, .stop = &stop});
    ASSERT_FALSE(found) << stage;
    EXPECT_EQ(found.error().code(), ErrorCode::interrupted) << stage;
  }
}

TEST_F(AssessmentTest, ADamagedImageIsNotAssessed) {
  capture_two_luns();
  settled();
  Bytes pages = file("image/pages-t1-l0.raw");
  flip(pages, 12345);
  overwrite("image/pages-t1-l0.raw", pages);
  const auto found = assessed("image");
  ASSERT_FALSE(found);
  EXPECT_EQ(found.error().code(), ErrorCode::hash_mismatch);
}

TEST_F(AssessmentTest, TheSameImageGivesTheSameAnswer) {
  capture_two_luns();
  const auto one = assessed("capture"), two = assessed("capture");
  ASSERT_TRUE(one && two);
  EXPECT_EQ(one->whitening->key, two->whitening->key);
  EXPECT_EQ(one->because, two->because);
}

}  // namespace
}  // namespace steadycell::settle
