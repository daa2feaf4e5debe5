#include "base/bits.h"

#include <algorithm>
#include <cassert>
#include <cstring>

namespace steadycell {
namespace {

// Eight bytes at a time; compilers at -O2 leave a loop over bytes as it is. The last word is filled up with zeros.
std::uint64_t word_at(const std::uint8_t* from, std::size_t bytes) {
  std::uint64_t word = 0;
  std::memcpy(&word, from, std::min<std::size_t>(bytes, 8));
  return word;
}

// Ones of a, or of a XOR b where b is given. Inlined into a function that may use the instruction, it does.
[[gnu::always_inline]] inline std::uint64_t ones_of(ByteSpan a, const std::uint8_t* b) {
  std::uint64_t ones = 0;
  std::size_t i = 0;
  const auto count = [&](std::size_t bytes) {
    const std::uint64_t word = word_at(a.data() + i, bytes) ^ (b != nullptr ? word_at(b + i, bytes) : 0);
    ones += static_cast<std::uint64_t>(__builtin_popcountll(word));
  };
  for (; i + 8 <= a.size(); i += 8) count(8);
  if (i < a.size()) count(a.size() - i);
  return ones;
}

#if defined(__x86_64__)
[[gnu::target("popcnt")]] std::uint64_t ones_by_instruction(ByteSpan a, const std::uint8_t* b) {
  return ones_of(a, b);
}
std::uint64_t ones(ByteSpan a, const std::uint8_t* b) {
  static const bool there = __builtin_cpu_supports("popcnt") != 0;
  return there ? ones_by_instruction(a, b) : ones_of(a, b);
}
#else
std::uint64_t ones(ByteSpan a, const std::uint8_t* b) {
  return ones_of(a, b);
}
#endif

}  // namespace

std::uint64_t count_ones(ByteSpan bytes) {
  return ones(bytes, nullptr);
}

std::uint64_t count_differing(ByteSpan a, ByteSpan b) {
  assert(a.size() == b.size());
  return ones(a, b.data());
}

void xor_into(MutableByteSpan into, ByteSpan with) {
  assert(into.size() == with.size());
  for (std::size_t i = 0; i < into.size(); i += 8) {
    const std::size_t bytes = into.size() - i;
    const std::uint64_t word = word_at(into.data() + i, bytes) ^ word_at(with.data() + i, bytes);
    std::memcpy(into.data() + i, &word, std::min<std::size_t>(bytes, 8));
  }
}

}  // namespace steadycell
