#pragma once
#include "base/bytes.h"

// Whole spans of bits at once, faster than byte by byte. count_ones stands in base/bytes.h.
namespace steadycell {

// Bits in which two spans of one size differ.
std::uint64_t count_differing(ByteSpan a, ByteSpan b);
// Place of the first byte from `from` on that is not 0; mask.size() when there is none.
std::size_t next_set_byte(ByteSpan mask, std::size_t from);
// Place of the first byte from `from` on in which two spans of one size differ; their size when there is none.
std::size_t next_difference(ByteSpan a, ByteSpan b, std::size_t from);
// into ^= with, of one size.
void xor_into(MutableByteSpan into, ByteSpan with);

}  // namespace steadycell
