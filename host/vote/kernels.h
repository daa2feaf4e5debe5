#pragma once
#include <cstddef>
#include <cstdint>

#include "vote/majority.h"

// The inner loops, one set for each Path. Not for other rooms.
namespace steadycell::vote {

// Planes are kept in whole chunks, so that every vector of every path fits; bytes behind the page's end are 0.
inline constexpr std::size_t kChunkBytes = 64;

// Planes of a page in a tally: plane j begins j strides of bytes behind `first`.
struct Planes {
  std::uint8_t* first = nullptr;
  std::size_t stride = 0;    // bytes, a multiple of kChunkBytes
  std::uint32_t count = 0;   // planes in use: no count needs more
  std::uint8_t* plane(std::uint32_t j) const { return first + j * stride; }
};

struct Kernels {
  // As vote::vote_unit.
  void (*vote_unit)(std::span<const ByteSpan> passes, const UnitVote& into);
  // One more read. `planes.count` is that before it; `grown`: its carry begins one plane more.
  void (*add)(const Planes& planes, ByteSpan read, bool grown);
  // Adds the counts of `other` into `planes`, which will have `after` planes.
  void (*merge)(const Planes& planes, const Planes& other, std::uint32_t after);
  // As Tally::majority, of at least one vote; `first` is the first vote.
  PageVote (*settle)(const Planes& planes, std::uint32_t votes, const std::uint8_t* first, MutableByteSpan voted, MutableByteSpan unsure);
  // Bit `plane` of every dissent.
  void (*dissent)(const Planes& planes, std::uint32_t votes, std::uint32_t plane, MutableByteSpan out);
};

const Kernels& kernels();

}  // namespace steadycell::vote
