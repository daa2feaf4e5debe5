#include "passes/block_passes.h"

#include <gtest/gtest.h>
#include <malloc.h>

#include "base/bits.h"
#include "base/sanitized.h"
#include "files/file_system.h"
#include "files/memory_disk.h"
#include "passes/layout.h"
#include "passes/sample.h"

namespace steadycell::passes {
namespace {

using files::MemoryDisk;

constexpr std::uint64_t kMemory = 8 << 20;
constexpr double kWavering = 1e-3;  // kept as lists of changes
constexpr double kNoisy = 2e-2;     // too many for that

std::vector<UnitAddress> passes_of(std::uint32_t block, std::uint32_t passes) {
  std::vector<UnitAddress> units;
  for (std::uint32_t pass = 1; pass <= passes; ++pass) units.push_back(unit(block, pass));
  return units;
}

// Three passes of blocks 0..3; page 2 of pass 3 was not read.
MemoryDisk three_passes(double bit_errors = kWavering) {
  MemoryDisk disk;
  auto writer = CaptureWriter::create(disk, "c", small_head());
  EXPECT_TRUE(writer);
  for (std::uint32_t pass = 1; pass <= 3; ++pass)
    for (std::uint32_t block = 0; block < 4; ++block) {
      std::vector<PageStatus> status(4, PageStatus::read);
      if (pass == 3) status[2] = PageStatus::ready_timeout;
      EXPECT_TRUE(writer->append_unit(unit(block, pass), block_content(small_chip(), block, pass, bit_errors), status));
    }
  EXPECT_TRUE(writer->finish());
  return disk;
}

CaptureReader opened(MemoryDisk& disk) {
  auto reader = CaptureReader::open(disk, "c");
  EXPECT_TRUE(reader) << reader.error().text();
  return std::move(*reader);
}

// The pages are those that the units have, each read whole and checked by its own hash.
void expect_units(CaptureReader& reader, BlockPasses& passes, std::span<const UnitAddress> units, std::span<const std::uint32_t> pages) {
  const Geometry geometry = reader.head().geometry;
  std::vector<Bytes> whole(units.size(), Bytes(geometry.block_raw_bytes()));
  for (std::size_t i = 0; i < units.size(); ++i) {
    std::vector<PageStatus> status(geometry.pages_per_block);
    ASSERT_TRUE(reader.read_unit(units[i], whole[i], status));
    EXPECT_TRUE(std::ranges::equal(passes.status(i), status)) << units[i].pass;
  }
  std::vector<ByteSpan> got(units.size());
  for (const std::uint32_t page : pages) {
    ASSERT_TRUE(passes.page(page, got)) << page;
    for (std::size_t i = 0; i < units.size(); ++i) {
      Bytes bytes(got[i].begin(), got[i].end());
      if (i > 0) xor_into(bytes, got[0]);
      const ByteSpan is = ByteSpan(whole[i]).subspan(page * geometry.raw_page_bytes(), geometry.raw_page_bytes());
      EXPECT_TRUE(std::ranges::equal(bytes, is)) << "pass " << units[i].pass << ", page " << page;
    }
  }
}

class BlockPassesStored : public ::testing::TestWithParam<double> {};

INSTANTIATE_TEST_SUITE_P(AsChangesAndAsDifferences, BlockPassesStored, ::testing::Values(kWavering, kNoisy),
                         [](const auto& which) { return std::string(which.param == kNoisy ? "differences" : "changes"); });

TEST_P(BlockPassesStored, AreTheUnitsPageByPage) {
  MemoryDisk disk = three_passes(GetParam());
  CaptureReader reader = opened(disk);
  for (const std::uint32_t pass : {2U, 3U})
    EXPECT_EQ(reader.facts(unit(1, pass))->codec, GetParam() == kNoisy ? Codec::difference : Codec::changes);
  BlockPasses passes(reader, kMemory);
  const std::uint32_t all[] = {0, 1, 2, 3}, some[] = {1, 3}, first[] = {0};
  for (const std::uint32_t count : {3U, 1U, 2U, 3U}) {
    for (const std::span<const std::uint32_t> pages :
         {std::span<const std::uint32_t>(all), std::span<const std::uint32_t>(some), std::span<const std::uint32_t>(first)}) {
      const auto units = passes_of(1, count);
      ASSERT_TRUE(passes.begin(units));
      expect_units(reader, passes, units, pages);
    }
  }
}

TEST(BlockPasses, MayExpectAnyBlock) {
  MemoryDisk disk = three_passes();
  CaptureReader reader = opened(disk);
  BlockPasses passes(reader, kMemory);
  const std::uint32_t all[] = {0, 1, 2, 3};
  for (const auto& [expected, taken] : {std::pair{1U, 1U}, {2U, 0U}, {7U, 3U}, {2U, 2U}}) {
    ASSERT_TRUE(passes.begin(passes_of(0, 3)));
    passes.expect(unit(expected, 1));  // block 7 is not there
    passes.expect(unit(expected, 1));
    expect_units(reader, passes, passes_of(0, 3), all);
    ASSERT_TRUE(passes.begin(passes_of(taken, 3)));
    expect_units(reader, passes, passes_of(taken, 3), all);
  }
  passes.expect(unit(1, 1));  // and never take it
}

// Every stored byte of pass 1 and pass 2 is damaged, one after the other.
TEST_P(BlockPassesStored, DamageIsNeverHandedOut) {
  MemoryDisk disk = three_passes(GetParam());
  const auto units = passes_of(0, 3);
  const std::uint32_t all[] = {0, 1, 2, 3};
  for (const std::uint32_t pass : {1U, 2U}) {
    const std::string name = "c/" + pass_name(pass);
    const Bytes whole = disk.content(name);
    const std::uint64_t stored = opened(disk).facts(unit(0, pass))->stored_bytes;
    for (std::size_t at = 0; at < whole.size(); at += pass == 1 ? 37 : kSanitized ? 7 : 1) {
      Bytes damaged = whole;
      damaged[at] = static_cast<std::uint8_t>(damaged[at] ^ 1U << at % 8);
      disk.put(name, damaged);
      CaptureReader reader = opened(disk);
      BlockPasses passes(reader, kMemory);
      const bool begun = passes.begin(units);
      ASSERT_EQ(begun, at >= stored) << name << ", byte " << at;  // behind it lie other blocks
      if (begun) expect_units(reader, passes, units, all);
    }
    disk.put(name, whole);
  }
}

// Two differences of the same length, each in the other's place: good frames, and not what the journal names.
TEST(BlockPasses, AFrameInAnothersPlaceIsRefused) {
  MemoryDisk disk;
  {
    auto writer = CaptureWriter::create(disk, "c", small_head());
    ASSERT_TRUE(writer);
    for (std::uint32_t pass = 1; pass <= 3; ++pass) {
      Bytes raw = block_content(small_chip(), 0, 1);
      if (pass > 1) raw[300 * pass] ^= 0x10;
      ASSERT_TRUE(writer->append_unit(unit(0, pass), raw, std::vector<PageStatus>(4, PageStatus::read)));
    }
    ASSERT_TRUE(writer->finish());
  }
  const Bytes second = disk.content("c/pass-0002.dat"), third = disk.content("c/pass-0003.dat");
  ASSERT_EQ(second.size(), third.size());
  ASSERT_NE(second, third);
  {
    CaptureReader reader = opened(disk);
    EXPECT_TRUE(BlockPasses(reader, kMemory).begin(passes_of(0, 3)));
  }
  disk.put("c/pass-0002.dat", third);
  disk.put("c/pass-0003.dat", second);
  CaptureReader reader = opened(disk);
  EXPECT_FALSE(BlockPasses(reader, kMemory).begin(passes_of(0, 3)));
}

// A hole in the journal took the record of pass 1, and the chip was read anew: with other wavering bits, which the old differences do not
// know of. They are checked whole, and are damaged; see also SettleTest.
TEST(BlockPasses, APassOneReadAnewIsNotWhatOldDifferencesWereMadeTo) {
  MemoryDisk disk = three_passes();
  Bytes journal = disk.content("c/journal");
  journal[*opened(disk).units().record_of(unit(0, 1)) + 40] ^= 1;
  disk.put("c/journal", journal);
  {
    auto writer = CaptureWriter::open(disk, "c");
    ASSERT_TRUE(writer);
    ASSERT_FALSE(writer->units().has(unit(0, 1)));
    const std::vector<PageStatus> read(4, PageStatus::read);
    ASSERT_TRUE(writer->append_unit(unit(0, 1), block_content(small_chip(), 0, 9, kWavering), read));
    ASSERT_TRUE(writer->finish());
  }
  CaptureReader reader = opened(disk);
  BlockPasses passes(reader, kMemory);
  EXPECT_FALSE(passes.begin(passes_of(0, 3)));
  EXPECT_TRUE(passes.begin(passes_of(0, 1)));
  EXPECT_TRUE(passes.begin(passes_of(1, 3)));
}

std::size_t trimmed_heap_now() {
  malloc_trim(0);
  return mallinfo2().uordblks + mallinfo2().hblkhd;
}

// Blocks of 4.5 MB, each with another pass so noisy that its frame takes half a block; then more passes, then single ones.
TEST(BlockPasses, MemoryStaysWithinItsBoundBlockAfterBlock) {
  Geometry geometry = small_chip();
  geometry.page_bytes = 16384;
  geometry.spare_bytes = 1280;
  geometry.pages_per_block = 256;
  const std::uint32_t blocks = 6, count = 8;
  MemoryDisk disk;
  {
    const Bytes quiet(geometry.block_raw_bytes());
    Bytes noisy = quiet;
    std::mt19937 random(1);
    for (std::uint8_t& byte : noisy) byte = random() % 2 == 0 ? static_cast<std::uint8_t>(random()) : std::uint8_t{0};
    auto writer = CaptureWriter::create(disk, "c", small_head(geometry));
    ASSERT_TRUE(writer);
    for (std::uint32_t pass = 1; pass <= count; ++pass)
      for (std::uint32_t block = 0; block < blocks; ++block)
        ASSERT_TRUE(
            writer->append_unit(unit(block, pass), pass == block + 2 ? noisy : quiet, std::vector<PageStatus>(256, PageStatus::read)));
    ASSERT_TRUE(writer->finish());
  }
  auto reader = CaptureReader::open(disk, "c");
  ASSERT_TRUE(reader);
  ASSERT_GT(reader->facts(unit(0, 2))->stored_bytes, geometry.block_raw_bytes() / 3);
  constexpr std::uint64_t kBound = 16 << 20;
  const std::size_t before = trimmed_heap_now();
  BlockPasses passes(*reader, kBound);
  std::uint32_t begun = 0;
  for (std::uint32_t block = 0; block < blocks; ++block) {
    const std::uint32_t of_this_one = block % 3 == 2 ? 1 : count;
    begun += passes.begin(passes_of(block, of_this_one)) ? 1 : 0;
    passes.expect(unit(block + 1, 1));
    EXPECT_LE(trimmed_heap_now() - before, kBound + (1 << 20)) << block;
  }
  EXPECT_EQ(begun, blocks);
}

TEST(BlockPasses, WhatCannotBeHadSoIsRefused) {
  MemoryDisk disk = three_passes();
  {
    auto writer = CaptureWriter::open(disk, "c");
    ASSERT_TRUE(writer);
    const std::vector<PageStatus> read(4, PageStatus::read);
    ASSERT_TRUE(writer->append_unit(unit(4, 1), block_content(small_chip(), 4, 1), read));
    ASSERT_TRUE(writer->append_unit(unit(4, 2), block_content(small_chip(), 4, 2, 0.4), read));  // too noisy for a difference
    ASSERT_TRUE(writer->append_unit(unit(5, 2), block_content(small_chip(), 5, 2), read));       // without a pass 1
    ASSERT_TRUE(writer->finish());
  }
  CaptureReader reader = opened(disk);
  BlockPasses passes(reader, kMemory);
  EXPECT_FALSE(passes.begin({}));
  EXPECT_FALSE(passes.begin(passes_of(4, 2)));
  EXPECT_FALSE(passes.begin(passes_of(5, 2)));
  EXPECT_FALSE(passes.begin(std::vector{unit(5, 2)}));
  EXPECT_FALSE(passes.begin(passes_of(0, 4)));  // there is no pass 4
  EXPECT_TRUE(passes.begin(passes_of(4, 1)));
  EXPECT_TRUE(passes.begin(passes_of(0, 3)));
  EXPECT_FALSE(BlockPasses(reader, 1 << 20).begin(passes_of(0, 3)));  // not enough memory for two differences
  EXPECT_FALSE(BlockPasses(reader, 2000).begin(passes_of(0, 1)));     // nor for pass 1
  BlockPasses cramped(reader, 3000);                                  // not for two blocks
  ASSERT_TRUE(cramped.begin(passes_of(0, 1)));
  cramped.expect(unit(1, 1));
  ASSERT_TRUE(cramped.begin(passes_of(1, 1)));
  expect_units(reader, cramped, passes_of(1, 1), std::vector<std::uint32_t>{0, 3});
}

// Captures of versions that did not hash what is stored: every unit is to be hashed whole, as ever.
TEST(BlockPasses, ACaptureWithoutHashesOfWhatIsStoredIsRefused) {
  auto reader = CaptureReader::open(files::posix(), std::string(STEADYCELL_TEST_DATA) + "/capture-v1");
  ASSERT_TRUE(reader) << reader.error().text();
  BlockPasses passes(*reader, kMemory);
  ASSERT_TRUE(reader->facts(unit(0, 2))->is_difference());
  EXPECT_FALSE(passes.begin(passes_of(0, 2)));
  EXPECT_TRUE(passes.begin(passes_of(0, 1)));
}

}  // namespace
}  // namespace steadycell::passes
