#include "image/block_hashes.h"

#include <algorithm>

namespace steadycell::image {

void BlockHasher::add_page(ByteSpan raw_page, Bytes& out) {
  hasher_.update(raw_page);
  if (++pages_in_block_ < pages_per_block_) return;
  pages_in_block_ = 0;
  const Digest digest = hasher_.finish();
  out.insert(out.end(), digest.begin(), digest.end());
}

std::vector<DamagedPages> damaged_pages(const CoverageMap& coverage, const Geometry& geometry, ByteSpan expected,
                                        ByteSpan actual) {
  constexpr std::size_t kSize = std::tuple_size_v<Digest>;
  const auto same = [&](std::uint64_t block) {
    const std::size_t at = block * kSize;
    return at + kSize <= std::min(expected.size(), actual.size()) &&
           std::equal(expected.begin() + static_cast<std::ptrdiff_t>(at),
                      expected.begin() + static_cast<std::ptrdiff_t>(at + kSize),
                      actual.begin() + static_cast<std::ptrdiff_t>(at));
  };
  std::vector<DamagedPages> damaged;
  for (std::uint64_t block = 0; block < coverage.blocks(); ++block) {
    if (same(block)) continue;
    const PlacedPage first = *coverage.page_at(block * geometry.pages_per_block);
    if (!damaged.empty() && damaged.back().place == first.place &&
        damaged.back().first.index + damaged.back().count == first.page.index)
      damaged.back().count += geometry.pages_per_block;
    else
      damaged.push_back({first.place, first.page, geometry.pages_per_block});
  }
  return damaged;
}

}  // namespace steadycell::image
