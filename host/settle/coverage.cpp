#include "settle/coverage.h"

#include <algorithm>

#include "image/manifest.h"

namespace steadycell::settle {

std::vector<image::LunCoverage> coverage_of(const passes::CaptureReader& reader) {
  std::vector<image::LunCoverage> luns;
  const Geometry& geometry = reader.head().geometry;
  for (const passes::TargetIdentity& target : reader.head().targets) {
    for (std::uint32_t lun = 0; lun < geometry.luns; ++lun) {
      image::LunCoverage covered;
      covered.place = {target.target, static_cast<std::uint8_t>(lun)};
      for (std::uint32_t block = 0; block < geometry.blocks; ++block) {
        if (reader.units().passes_of(covered.place, {block}) == 0) continue;
        if (!covered.ranges.empty() && covered.ranges.back().first + covered.ranges.back().count == block) {
          ++covered.ranges.back().count;
        } else {
          covered.ranges.push_back({block, 1});
        }
      }
      if (!covered.ranges.empty()) luns.push_back(std::move(covered));
    }
  }
  std::sort(luns.begin(), luns.end(), [](const auto& a, const auto& b) { return a.place < b.place; });
  for (image::LunCoverage& lun : luns) lun.file = image::pages_file_name(lun.place, luns.size() == 1);
  return luns;
}

}  // namespace steadycell::settle
