#include "image/coverage.h"

#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

#include "image/block_hashes.h"
#include "image/samples.h"

namespace steadycell::image {
namespace {

TEST(Coverage, PageNumbersFindTheirPlaceInThePagesFile) {
  const auto map = CoverageMap::make(small_geometry(), small_coverage());
  ASSERT_TRUE(map) << map.error().text();
  EXPECT_EQ(map->pages(), 9u);
  EXPECT_EQ(map->file_bytes(0), 9u * 18);
  EXPECT_EQ(map->page_in_file({0, 0}, {3}), 0u);  // first page of block 1
  EXPECT_EQ(map->page_in_file({0, 0}, {5}), 2u);
  EXPECT_EQ(map->page_in_file({0, 0}, {12}), 3u);  // first page of block 4
  EXPECT_EQ(map->page_in_file({0, 0}, {17}), 8u);
  EXPECT_EQ(map->page_in_file({0, 0}, {0}), std::nullopt);
  EXPECT_EQ(map->page_in_file({0, 0}, {6}), std::nullopt);
  EXPECT_EQ(map->page_in_file({1, 0}, {3}), std::nullopt);
  EXPECT_EQ(map->page_at(9), std::nullopt);
}

RC_GTEST_PROP(Coverage, PlaceAndPositionUndoEachOther, ()) {
  Geometry g = small_geometry();
  g.luns = 2;
  g.blocks = 64;
  g.pages_per_block = *rc::gen::inRange<std::uint32_t>(1, 300);  // 258-page blocks exist: no power of two by right
  std::vector<LunCoverage> luns;
  for (std::uint8_t lun = 0; lun < 2; ++lun) {
    LunCoverage cover{{0, lun}, pages_file_name({0, lun}, false), {}};
    for (std::uint32_t next = 0; next < 60;) {
      const auto skip = *rc::gen::inRange<std::uint32_t>(0, 20), count = *rc::gen::inRange<std::uint32_t>(1, 20);
      if (next + skip + count > g.blocks) break;
      cover.ranges.push_back({next + skip, count});
      next += skip + count;
    }
    luns.push_back(cover);
  }
  const auto map = CoverageMap::make(g, luns);
  RC_ASSERT(map.has_value());
  for (std::uint64_t i = 0; i < map->pages(); i += 1 + i / 7) {
    const auto at = map->page_at(i);
    RC_ASSERT(at.has_value());
    RC_ASSERT(map->page_in_image(at->place, at->page) == i);
  }
}

TEST(Coverage, HostileListsAreRefused) {
  const Geometry g = small_geometry();
  const auto made = [&](std::vector<LunCoverage> luns) {
    return CoverageMap::make(g, std::move(luns)).has_value();
  };
  EXPECT_TRUE(made({{{0, 0}, "pages.raw", {{0, 8}}}}));
  EXPECT_FALSE(made({{{0, 0}, "pages.raw", {{0, 9}}}}));
  EXPECT_FALSE(made({{{0, 0}, "pages.raw", {{0xFFFFFFFF, 0xFFFFFFFF}}}}));
  EXPECT_FALSE(made({{{0, 0}, "pages.raw", {{2, 0}}}}));
  EXPECT_FALSE(made({{{0, 0}, "pages.raw", {{2, 2}, {3, 1}}}}));
  EXPECT_FALSE(made({{{0, 0}, "pages.raw", {{4, 1}, {2, 1}}}}));
  EXPECT_FALSE(made({{{0, 1}, "pages.raw", {{0, 1}}}}));
  EXPECT_FALSE(made({{{0, 0}, "a.raw", {{0, 1}}}, {{0, 0}, "b.raw", {{1, 1}}}}));
}

TEST(BlockHashes, DamagedBlocksAreNamedAsJoinedPageRanges) {
  const Geometry g = small_geometry();
  const auto map = CoverageMap::make(g, small_coverage());
  const SmallBundle good = small_bundle();
  EXPECT_EQ(good.block_hashes.size(), 3u * 32);
  EXPECT_TRUE(damaged_pages(*map, g, good.block_hashes, good.block_hashes).empty());
  for (std::size_t byte = 0; byte < good.pages.size(); ++byte) {
    Bytes pages = good.pages;
    pages[byte] ^= 0x04;
    BlockHasher hasher(g.pages_per_block);
    Bytes actual;
    for (std::size_t at = 0; at < pages.size(); at += g.raw_page_bytes())
      hasher.add_page(ByteSpan(pages).subspan(at, g.raw_page_bytes()), actual);
    const auto damaged = damaged_pages(*map, g, good.block_hashes, actual);
    ASSERT_EQ(damaged.size(), 1u);
    EXPECT_EQ(damaged[0].first, map->page_at(byte / g.block_raw_bytes() * g.pages_per_block)->page);
    EXPECT_EQ(damaged[0].count, 3u);
  }
  // A pages file that ends early: block 1 is whole, blocks 4 and 5 are not.
  const auto cut = damaged_pages(*map, g, good.block_hashes, ByteSpan(good.block_hashes).first(32));
  EXPECT_EQ(cut, (std::vector<DamagedPages>{{{0, 0}, {12}, 6}}));
}

TEST(BlockHashes, AreThePlainSha256OfEachBlock) {
  const SmallBundle b = small_bundle();
  const std::size_t block = small_geometry().block_raw_bytes();
  const Digest second = Sha256::of(ByteSpan(b.pages).subspan(block, block));
  EXPECT_TRUE(std::equal(second.begin(), second.end(), b.block_hashes.begin() + 32));
}

}  // namespace
}  // namespace steadycell::image
