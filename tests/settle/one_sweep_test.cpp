#include <map>

#include "settle/bench.h"

namespace steadycell::settle {
namespace {

// 128 blocks are decoded in one sweep, of 129 some are measured first. All blocks being equal, both must come to the same.
TEST_F(SettleTest, OneSweepRulesAsTwoDo) {
  const Geometry block = kernel_chip(1);
  Bytes first = kernel_vector("fat16-bch4-2k.flips.raw.gz");
  first.resize(block.block_raw_bytes());
  const Bytes second = with_flips(first, 1e-5, 5);
  const auto rows_of = [&](std::uint32_t blocks) {
    for (const char* folder : {"capture", "image"}) std::filesystem::remove_all(path(folder));
    std::vector<Bytes> reads(3);
    for (std::uint32_t i = 0; i < blocks; ++i)
      for (std::size_t pass = 0; pass < reads.size(); ++pass) {
        const Bytes& read = pass == 1 ? second : first;
        reads[pass].insert(reads[pass].end(), read.begin(), read.end());
      }
    capture_of(kernel_chip(blocks), reads);
    settled(kernel_bch4());
    return verdicts();
  };
  const auto one_sweep = rows_of(128), two_sweeps = rows_of(129);
  std::map<image::Verdict, unsigned> seen;
  unsigned causes = 0;
  for (std::size_t page = 0; page < one_sweep.size(); ++page) {
    ASSERT_TRUE(one_sweep[page] == two_sweeps[page]) << page;
    ++seen[one_sweep[page].verdict];
    causes += one_sweep[page].cause != image::Cause::none ? 1 : 0;
  }
  EXPECT_GT(seen.size(), 1U) << "verdicts of one kind alone would show little";
  EXPECT_GT(causes, 0U);
}

}  // namespace
}  // namespace steadycell::settle
