#pragma once
#include <cstdint>
#include <vector>

#include "base/bytes.h"
#include "ecc/scheme.h"

namespace steadycell::search {

// Words that differ in fewer bits cannot be told from one word with errors.
inline constexpr std::uint32_t kTellingBits = 256;

// Pages of one chip, page and spare area as read or voted, from which a layout is to be found. Erased pages say nothing
// about the code and are only counted.
class Sample {
 public:
  Sample(std::uint32_t page_bytes, std::uint32_t spare_bytes) : page_bytes_(page_bytes), spare_bytes_(spare_bytes) {}

  // Keeps the page unless it looks erased: at most 2 % of its bits are zero. Takes the longer the more different pages it holds.
  void add(ByteSpan raw_page);

  std::uint32_t page_bytes() const { return page_bytes_; }
  std::uint32_t spare_bytes() const { return spare_bytes_; }
  std::uint32_t raw_page_bytes() const { return page_bytes_ + spare_bytes_; }
  std::size_t pages() const { return pages_.size(); }  // written ones
  std::uint64_t erased() const { return erased_; }
  ByteSpan page(std::size_t index) const { return pages_[index]; }
  // Pages of which each differs from all before it in kTellingBits or more. Fewer than two: nothing can be found by them.
  const std::vector<std::size_t>& different() const { return different_; }

 private:
  std::uint32_t page_bytes_, spare_bytes_;
  std::vector<Bytes> pages_;
  std::vector<std::size_t> different_;
  std::uint64_t erased_ = 0;
};

// One word to test: a page, or the XOR of two, which is again made of codewords whatever fixed mask lies on them.
struct Probe {
  Bytes bytes;
  bool is_difference = false;
};

// Words that tell something: pages against nothing, against all FF (which an inversion or the mask of an erased page
// leaves), against FF in the spare area only, and `differences` pairs of pages. Pages, or pairs, that differ in fewer than
// kTellingBits within `within` are left out. Deterministic.
std::vector<Probe> make_probes(const Sample& sample, ecc::Range within, std::size_t singles, std::size_t differences);

// For each byte of a page: false where nearly all different pages hold the same value, which no parity byte does.
std::vector<bool> varying_bytes(const Sample& sample);

}  // namespace steadycell::search
