#pragma once
#include <cstdint>
#include <span>

#include "base/bytes.h"

namespace steadycell::vote {

inline constexpr std::size_t kMaxVotes = 255;
inline constexpr std::size_t kMaxDissentPlanes = 7;  // dissent_planes(kMaxVotes)

// What the votes of one page came to. Bits are counted over page and spare together.
struct PageVote {
  std::uint32_t votes = 0;          // passes that read the page; 0: nothing was written
  std::uint32_t unstable_bits = 0;  // bits on which the passes disagreed
  std::uint32_t tied_bits = 0;      // bits split evenly; they keep the first vote's value
  std::uint64_t dissents = 0;       // single reads that went against the majority, over all bits

  friend bool operator==(const PageVote&, const PageVote&) = default;
};

// Number of planes that hold every dissent min(k, n-k) of n votes with k ones: the bits of n/2. 0 for one vote.
std::uint32_t dissent_planes(std::uint32_t votes);

// Where the vote over a unit goes: `pages` whole pages of equal size, end to end. All but `passes` and `pages` has the
// size of a pass and overlaps no other span.
struct UnitVote {
  MutableByteSpan voted;    // the value that more than half of the passes saw
  MutableByteSpan unsure;   // 1 where passes disagreed
  std::span<PageVote> pages;
  // Either empty, and PageVote::dissents stays 0, or dissent_planes(passes) planes: bit j of min(k, n-k) for every bit, in
  // the page's own order. The margin of a bit is |2k-n| = n - 2 min(k, n-k).
  std::span<const MutableByteSpan> dissent;
};

// Votes bit by bit in one sweep over all passes. An even split keeps the bit of passes[0] (the first plain copy, read
// before any disturb by later reads). Requires 1..255 passes of equal size, a multiple of into.pages.size(). Allocates
// nothing. Runs at the speed of memory: see docs/performance.md.
void vote_unit(std::span<const ByteSpan> passes, const UnitVote& into);

// The same for a single page without margins.
PageVote majority(std::span<const ByteSpan> passes, MutableByteSpan voted, MutableByteSpan unsure);

}  // namespace steadycell::vote
