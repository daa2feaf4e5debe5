#pragma once
#include <cstdint>
#include <vector>

#include "base/bytes.h"
#include "vote/majority.h"

namespace steadycell::vote {

struct Planes;

// How many passes read each bit of some pages as 1, in bit-sliced planes: plane j holds bit j of every count. It
// belongs to one condition (rail, timing, read level). A page that a pass could not read is simply not added: it
// abstains, so each page has its own number of votes.
//
// Per bit, with n votes and k ones: the value is 1 when 2k > n, 0 when 2k < n, and the bit of the first vote when
// 2k = n. The dissent is j = min(k, n-k) and the margin |2k-n| = n - 2j: 0 is a tie, n is unanimous.
class Tally {
 public:
  // Room for `pages` pages of `page_bytes` bytes (spare included), at most `max_votes` (1..255) votes each.
  // Takes bytes(pages, page_bytes, max_votes) bytes of memory, all of it here.
  Tally(std::uint32_t pages, std::uint32_t page_bytes, std::uint32_t max_votes);
  static std::uint64_t bytes(std::uint64_t pages, std::uint64_t page_bytes, std::uint32_t max_votes);

  // Forgets all votes and keeps the memory.
  void clear();

  // One more vote for `page`. Requires page_bytes bytes and votes(page) < max_votes.
  void add(std::uint32_t page, ByteSpan read);
  // Adds all votes of `later`, a tally of the same shape; where both voted, a tie keeps the first vote of this
  // one. Requires that no page exceeds max_votes by it.
  void merge(const Tally& later);

  std::uint32_t pages() const { return static_cast<std::uint32_t>(votes_.size()); }
  std::uint32_t page_bytes() const { return page_bytes_; }
  std::uint32_t votes(std::uint32_t page) const { return votes_[page]; }
  // How many votes read bit `bit` of `page` as 1; bit 0 is the least significant bit of byte 0.
  std::uint32_t ones(std::uint32_t page, std::uint64_t bit) const;

  // Writes the voted page and the mask of unstable bits, page_bytes bytes each; neither is touched without votes.
  PageVote majority(std::uint32_t page, MutableByteSpan out, MutableByteSpan unsure) const;
  // Writes the bytes of the first vote, which a tie keeps. Requires votes(page) > 0.
  void first_vote(std::uint32_t page, MutableByteSpan out) const;

  // Writes dissent plane `plane`: bit j of min(k, n-k) for every bit of the page, in the page's own bit order.
  // Planes of a page that never wavered are all zero. Requires plane < 7 and page_bytes bytes.
  void dissent(std::uint32_t page, std::uint32_t plane, MutableByteSpan out) const;

 private:
  Planes planes(std::uint32_t page) const;  // those in use
  const std::uint8_t* first_of(std::uint32_t page) const;

  std::uint32_t page_bytes_, planes_;
  std::size_t plane_bytes_;  // whole chunks of the kernels; bytes behind the page's end are 0
  std::size_t page_stride_;  // `planes_` planes, then the first vote
  std::vector<std::uint8_t> votes_;
  Bytes bytes_;
};

}  // namespace steadycell::vote
