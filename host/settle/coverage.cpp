#include "settle/coverage.h"

#include <fmt/format.h>

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

Error nothing_covered(const passes::CaptureReader& reader, const std::string& folder) {
  const passes::Contents& contents = reader.contents();
  if (contents.journal_whole() && contents.unnamed.empty())
    return Error(ErrorCode::bad_input_file, fmt::format("capture {} holds no finished unit", folder))
        .advising("read or import at least one pass into it first");
  return Error(ErrorCode::file_damaged, fmt::format("the journal of capture {} names no unit, though there is more than that in its files: "
                                                    "it is damaged, or the first read was cut short", folder))
      .advising(fmt::format("steadycell capture verify {} tells what is there and what to do", folder));
}

}  // namespace steadycell::settle
