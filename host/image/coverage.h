#pragma once
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "base/address.h"
#include "base/result.h"

// Which blocks an image holds, and where their pages lie.
namespace steadycell::image {

struct BlockRange {
  std::uint32_t first = 0;  // block within the LUN
  std::uint32_t count = 0;  // at least 1
  friend bool operator==(const BlockRange&, const BlockRange&) = default;
};

// The covered blocks of one LUN, ascending and apart, and the pages file that holds them.
struct LunCoverage {
  UnitPlace place;
  std::string file = "pages.raw";
  std::vector<BlockRange> ranges;
  std::uint64_t blocks() const;
  friend bool operator==(const LunCoverage&, const LunCoverage&) = default;
};

// "pages.raw" when the image has one LUN, else "pages-t0-l1.raw".
std::string pages_file_name(UnitPlace place, bool only_one);

// One page as its place in the image says it.
struct PlacedPage {
  UnitPlace place;
  PageAddress page;
  friend bool operator==(const PlacedPage&, const PlacedPage&) = default;
};

// Converts between page numbers and positions. Pages of an image are counted 0, 1, ... over all LUNs in manifest
// order; `verdicts.csv`, `corrections.xor.zst`, `margins.bin` and `blocks.sha256` follow that order.
class CoverageMap {
 public:
  // Refuses (bad_input_file) places that stand twice, ranges that are empty, overlap, descend or leave the chip.
  static Result<CoverageMap> make(const Geometry& geometry, std::vector<LunCoverage> luns);

  const std::vector<LunCoverage>& luns() const { return luns_; }
  std::uint64_t blocks() const { return blocks_; }  // over all LUNs
  std::uint64_t pages() const { return blocks_ * geometry_.pages_per_block; }
  // Bytes of the pages file of luns()[i].
  std::uint64_t file_bytes(std::size_t lun_index) const;

  // Position of the page in its LUN's pages file, in pages; nothing when the image does not cover it.
  std::optional<std::uint64_t> page_in_file(UnitPlace place, PageAddress page) const;
  // Position over all LUNs.
  std::optional<std::uint64_t> page_in_image(UnitPlace place, PageAddress page) const;
  std::optional<PlacedPage> page_at(std::uint64_t page_in_image) const;

 private:
  Geometry geometry_;
  std::vector<LunCoverage> luns_;
  std::uint64_t blocks_ = 0;
};

}  // namespace steadycell::image
