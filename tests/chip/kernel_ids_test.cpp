#include <gtest/gtest.h>

#include <fstream>
#include <map>
#include <sstream>

#include "chip/identity.h"

// ids.csv is what Linux 6.1 makes of ID bytes (tests/data/kernel-nand/ids.md).
namespace steadycell::chip {
namespace {

// Where we differ on purpose, and why.
const std::map<std::string, std::string> kOnPurpose = {
    {"ec de d5 7e 68 44 ec de", "spare-area code 7 is reserved in the maker's coding; the kernel goes on with 0 spare bytes"},
    {"98 de 94 82 76 56 98 de",
     "multi-level part of Toshiba's: the kernel's own full-ID rows of TC58NVG5D2 and TC58NVG6D2 show that the common rule, which it "
     "falls back to here, gives half the page and a fraction of the block"},
    {"77 dc 10 95 54 77 dc 10", "77h has even parity, which no JEP106 code has: a read fault"},
};

TEST(KernelIds, AgreeInAllRowsButTheListedOnes) {
  std::ifstream file(std::string(STEADYCELL_TEST_DATA) + "/kernel-nand/ids.csv");
  ASSERT_TRUE(file);
  std::string line;
  std::getline(file, line);
  unsigned rows = 0, differing = 0;
  while (std::getline(file, line)) {
    ++rows;
    SCOPED_TRACE(line);
    std::vector<std::string> cells;
    std::istringstream row(line);
    for (std::string cell; std::getline(row, cell, ',');) cells.push_back(cell);
    // The bytes as they came from the bus: eight of them. READ ID at 40h said nothing in the kernel's run.
    const auto decoded = decode_id(parse_hex(cells[0]).value());
    if (kOnPurpose.contains(cells[0])) {
      ++differing;
      EXPECT_FALSE(decoded);
      continue;
    }
    ASSERT_EQ(decoded.has_value(), cells[1] == "yes");
    if (!decoded) continue;
    const Geometry& g = decoded->geometry;
    EXPECT_EQ(g.total_bytes(), std::stoull(cells[2]));
    EXPECT_EQ(g.bits_per_cell > 1, cells[3] == "MLC");
    EXPECT_EQ(std::uint64_t{g.pages_per_block} * g.page_bytes, std::stoull(cells[4]));
    EXPECT_EQ(g.page_bytes, std::stoul(cells[5]));
    EXPECT_EQ(g.spare_bytes, std::stoul(cells[6]));
  }
  EXPECT_EQ(rows, 40u);
  EXPECT_EQ(differing, kOnPurpose.size());
}

}  // namespace
}  // namespace steadycell::chip
