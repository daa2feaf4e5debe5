#pragma once
#include <span>

#include "base/bytes.h"

namespace steadycell::vote::plain {

// The meaning of the fast kernels, one bit at a time: slow, obvious, and what every kernel is tested against.

// As vote::majority.
void majority(std::span<const ByteSpan> passes, MutableByteSpan out, MutableByteSpan unsure);

// How many passes read bit `bit` as 1. Bit 0 is the least significant bit of byte 0.
std::uint32_t ones(std::span<const ByteSpan> passes, std::size_t bit);

}  // namespace steadycell::vote::plain
