#include "vote/plain.h"

#include <algorithm>

namespace steadycell::vote::plain {
namespace {

bool bit_of(ByteSpan bytes, std::size_t bit) {
  return (bytes[bit / 8] >> (bit % 8) & 1) != 0;
}

}  // namespace

std::uint32_t ones(std::span<const ByteSpan> passes, std::size_t bit) {
  return static_cast<std::uint32_t>(
      std::count_if(passes.begin(), passes.end(), [&](ByteSpan pass) { return bit_of(pass, bit); }));
}

void majority(std::span<const ByteSpan> passes, MutableByteSpan out, MutableByteSpan unsure) {
  std::fill(out.begin(), out.end(), std::uint8_t{0});
  std::fill(unsure.begin(), unsure.end(), std::uint8_t{0});
  for (std::size_t bit = 0; bit < out.size() * 8; ++bit) {
    const std::size_t seen = ones(passes, bit);
    const bool tie = 2 * seen == passes.size();
    const bool value = tie ? bit_of(passes[0], bit) : 2 * seen > passes.size();
    const auto mark = static_cast<std::uint8_t>(1U << (bit % 8));
    if (value) out[bit / 8] |= mark;
    if (seen != 0 && seen != passes.size()) unsure[bit / 8] |= mark;
  }
}

}  // namespace steadycell::vote::plain
