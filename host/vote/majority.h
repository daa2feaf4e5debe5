#pragma once
#include <span>

#include "base/bytes.h"

namespace steadycell::vote {

inline constexpr std::size_t kMaxVotes = 255;

// For each bit, `out` gets the value that more than half of the passes saw; `unsure` gets 1 where passes
// disagreed. An even split keeps the bit of passes[0] (the first plain copy, read before any disturb by later
// reads). Requires 1..255 passes, all spans of equal size; `out` and `unsure` overlap no other span. Allocates
// nothing.
void majority(std::span<const ByteSpan> passes, MutableByteSpan out, MutableByteSpan unsure);

}  // namespace steadycell::vote
