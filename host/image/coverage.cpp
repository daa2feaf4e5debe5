#include "image/coverage.h"

#include <fmt/format.h>

#include <algorithm>

namespace steadycell::image {

std::uint64_t LunCoverage::blocks() const {
  std::uint64_t sum = 0;
  for (const BlockRange& range : ranges) sum += range.count;
  return sum;
}

std::string pages_file_name(UnitPlace place, bool only_one) {
  return only_one ? "pages.raw" : fmt::format("pages-t{}-l{}.raw", place.target, place.lun);
}

Result<CoverageMap> CoverageMap::make(const Geometry& geometry, std::vector<LunCoverage> luns) {
  CoverageMap map;
  map.geometry_ = geometry;
  for (std::size_t i = 0; i < luns.size(); ++i) {
    const LunCoverage& lun = luns[i];
    if (i > 0 && lun.place <= luns[i - 1].place)
      return failure(ErrorCode::bad_input_file, "coverage: target {}, LUN {} stands twice or out of order",
                     lun.place.target, lun.place.lun);
    if (lun.place.lun >= geometry.luns)
      return failure(ErrorCode::bad_input_file, "coverage: LUN {}, the chip has {}", lun.place.lun, geometry.luns);
    std::uint64_t next = 0;
    for (const BlockRange& range : lun.ranges) {
      const std::uint64_t end = std::uint64_t{range.first} + range.count;
      if (range.count == 0 || range.first < next || end > geometry.blocks)
        return failure(ErrorCode::bad_input_file,
                       "coverage: {} blocks from {} are empty, overlap, descend or leave the {} blocks of the LUN",
                       range.count, range.first, geometry.blocks);
      next = end;
      map.blocks_ += range.count;
    }
  }
  map.luns_ = std::move(luns);
  return map;
}

std::uint64_t CoverageMap::file_bytes(std::size_t lun_index) const {
  return luns_[lun_index].blocks() * geometry_.block_raw_bytes();
}

std::optional<std::uint64_t> CoverageMap::page_in_file(UnitPlace place, PageAddress page) const {
  const auto lun =
      std::find_if(luns_.begin(), luns_.end(), [&](const LunCoverage& l) { return l.place == place; });
  if (lun == luns_.end()) return std::nullopt;
  const std::uint32_t block = geometry_.block_of(page).index;
  std::uint64_t before = 0;  // blocks of the file in front of the range
  for (const BlockRange& range : lun->ranges) {
    if (block >= range.first && block - range.first < range.count)
      return (before + block - range.first) * geometry_.pages_per_block + page.index % geometry_.pages_per_block;
    before += range.count;
  }
  return std::nullopt;
}

std::optional<std::uint64_t> CoverageMap::page_in_image(UnitPlace place, PageAddress page) const {
  const auto in_file = page_in_file(place, page);
  if (!in_file) return std::nullopt;
  std::uint64_t before = 0;
  for (const LunCoverage& lun : luns_) {
    if (lun.place == place) break;
    before += lun.blocks();
  }
  return before * geometry_.pages_per_block + *in_file;
}

std::optional<PlacedPage> CoverageMap::page_at(std::uint64_t page_in_image) const {
  std::uint64_t block = page_in_image / geometry_.pages_per_block;
  const auto in_block = static_cast<std::uint32_t>(page_in_image % geometry_.pages_per_block);
  for (const LunCoverage& lun : luns_) {
    for (const BlockRange& range : lun.ranges) {
      if (block < range.count) {
        const auto index =
            (range.first + static_cast<std::uint32_t>(block)) * geometry_.pages_per_block + in_block;
        return PlacedPage{lun.place, {index}};
      }
      block -= range.count;
    }
  }
  return std::nullopt;
}

}  // namespace steadycell::image
