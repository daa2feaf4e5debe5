#include "chip/bus.h"

#include <gtest/gtest.h>

#include <set>

#include "steadycell/protocol.h"

namespace steadycell::chip {
namespace {

Geometry geometry(std::uint32_t pages_per_block, std::uint32_t blocks, std::uint32_t luns) {
  Geometry g;
  g.page_bytes = 2048;
  g.spare_bytes = 64;
  g.pages_per_block = pages_per_block;
  g.blocks = blocks;
  g.luns = luns;
  return g;
}

TEST(Addressing, CountsRowsStraightWhenEverythingIsAPowerOfTwo) {
  const Addressing at(geometry(64, 1024, 1));
  EXPECT_EQ(at.row(0, {0}), 0u);
  EXPECT_EQ(at.row(0, {4711}), 4711u);
}

TEST(Addressing, PadsBlocksOf258PagesTo512Rows) {
  const Addressing at(geometry(258, 1048, 2));
  EXPECT_EQ(at.block_stride(), 512u);
  EXPECT_EQ(at.row(0, {257}), 257u);
  EXPECT_EQ(at.row(0, {258}), 512u);
  EXPECT_EQ(at.row(0, {258 * 1047 + 5}), 1047u * 512 + 5);
}

TEST(Addressing, PutsTheLunAboveThePaddedBlocks) {
  const Addressing at(geometry(258, 1048, 2));
  EXPECT_EQ(at.row(1, {0}), 2048u * 512);
  EXPECT_EQ(at.row(1, {259}), 2048u * 512 + 513);
}

TEST(Addressing, GivesEveryPageItsOwnRow) {
  const Geometry g = geometry(20, 24, 3);
  const Addressing at(g);
  std::set<std::uint32_t> rows;
  for (std::uint8_t lun = 0; lun < g.luns; ++lun)
    for (std::uint32_t page = 0; page < g.pages_per_lun(); ++page) rows.insert(at.row(lun, {page}));
  EXPECT_EQ(rows.size(), g.pages_per_lun() * g.luns);
}

TEST(ReadProgram, IsThePlainReadOfALargePage) {
  const auto program = read_page_program(geometry(64, 1024, 1), Microseconds(1000));
  const Bytes expected{SCP_OP_COMMAND, 0x00, SCP_OP_ADDRESS, 0, SCP_OP_ADDRESS, 0, SCP_OP_ROW, SCP_OP_COMMAND, 0x30,
                       SCP_OP_WAIT_RB, 0xE8, 0x03, 0, 0, SCP_OP_READ, 0x40, 0x08, 0, 0};
  EXPECT_EQ(program.bytes(), expected);
  EXPECT_EQ(program.output_bytes(), 2112u);
}

TEST(ReadProgram, HasNoConfirmOnASmallPage) {
  Geometry g = geometry(32, 2048, 1);
  g.page_bytes = 512;
  g.spare_bytes = 16;
  g.column_cycles = 1;
  const auto program = read_page_program(g, Microseconds(1000));
  const Bytes expected{SCP_OP_COMMAND, 0x00, SCP_OP_ADDRESS, 0, SCP_OP_ROW, SCP_OP_WAIT_RB, 0xE8, 0x03, 0, 0,
                       SCP_OP_READ,    0x10, 0x02,           0, 0};
  EXPECT_EQ(program.bytes(), expected);
}

TEST(ReadProgram, PollsTheStatusWhenToldTo) {
  const auto program = read_page_program(geometry(64, 1024, 1), Microseconds(1000), WaitFor::status);
  EXPECT_EQ(program.bytes()[9], SCP_OP_WAIT_STATUS);
}

TEST(ReadLimit, FollowsTheChipBetweenItsBounds) {
  Identification what;
  what.read_time = Microseconds(25);
  EXPECT_EQ(read_limit(what), Microseconds(1000));
  what.read_time = Microseconds(200);
  EXPECT_EQ(read_limit(what), Microseconds(2000));
  what.read_time = Microseconds(9000);
  EXPECT_EQ(read_limit(what), Microseconds(10'000));
}

}  // namespace
}  // namespace steadycell::chip
