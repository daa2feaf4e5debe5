#pragma once
#include <vector>

#include "base/bytes.h"
#include "base/result.h"
#include "base/sha256.h"
#include "image/coverage.h"

// blocks.sha256: for each block in image order the 32 bytes of the SHA-256 of its bytes in pages.raw, nothing
// else. So a damaged pages file can be named page range by page range, and each block checked with standard tools.
namespace steadycell::image {

class BlockHasher {
 public:
  explicit BlockHasher(std::uint32_t pages_per_block) : pages_per_block_(pages_per_block) {}

  // Pages of pages.raw in image order; appends 32 bytes to `out` when a block is whole.
  void add_page(ByteSpan raw_page, Bytes& out);
  bool complete() const { return pages_in_block_ == 0; }

 private:
  Sha256 hasher_;
  std::uint32_t pages_per_block_, pages_in_block_ = 0;
};

struct DamagedPages {
  UnitPlace place;
  PageAddress first;
  std::uint32_t count = 0;
  friend bool operator==(const DamagedPages&, const DamagedPages&) = default;
};

// Blocks whose hashes differ, neighbours joined. `expected` and `actual` as in blocks.sha256; a missing end counts
// as damaged.
std::vector<DamagedPages> damaged_pages(const CoverageMap& coverage, const Geometry& geometry, ByteSpan expected,
                                        ByteSpan actual);

}  // namespace steadycell::image
