#include "capture/room.h"

#include <gtest/gtest.h>

#include "files/memory_disk.h"
#include "passes/sample.h"

namespace steadycell::capture {
namespace {

using passes::unit;

// Bytes that no record names are no part of what a later pass takes: eight blocks, of which pass 2 has one.
TEST(Room, LaterPassesTakeWhatThoseThatAreThereTook) {
  files::MemoryDisk disk;
  const Geometry chip = passes::small_chip();
  const std::vector<passes::PageStatus> read(chip.pages_per_block, passes::PageStatus::read);
  std::uint64_t stored = 0;
  {
    auto writer = passes::CaptureWriter::create(disk, "c", passes::small_head());
    ASSERT_TRUE(writer);
    for (std::uint32_t block = 0; block < chip.blocks; ++block)
      ASSERT_TRUE(writer->append_unit(unit(block, 1), passes::block_content(chip, block, 1), read));
    ASSERT_TRUE(writer->seal_pass(1));
    ASSERT_TRUE(writer->append_unit(unit(0, 2), passes::block_content(chip, 0, 2, 1e-3), read));
    stored = writer->contents().later_stored_bytes;
    ASSERT_TRUE(writer->finish());
  }
  Bytes pass_2 = disk.content("c/pass-0002.dat");
  EXPECT_EQ(stored, pass_2.size());
  pass_2.resize(pass_2.size() + (1 << 20));
  disk.put("c/pass-0002.dat", pass_2);
  const auto writer = passes::CaptureWriter::open(disk, "c");
  ASSERT_TRUE(writer);
  const auto parts = room_for(writer->head(), writer->contents(), {0, chip.blocks - 1}, 2);
  ASSERT_EQ(parts.size(), 2U);  // and the journal
  EXPECT_EQ(parts[0].bytes, (chip.blocks - 1) * stored);
}

}  // namespace
}  // namespace steadycell::capture
