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

// 64 bytes a step, in the widest registers that the function it is inlined into may use.
[[gnu::always_inline]] inline void xor_words(std::uint8_t* into, const std::uint8_t* with, std::size_t bytes) {
  using Words [[gnu::vector_size(64)]] = std::uint64_t;
  std::size_t i = 0;
  for (; i + sizeof(Words) <= bytes; i += sizeof(Words)) {
    Words a, b;
    std::memcpy(&a, into + i, sizeof a);
    std::memcpy(&b, with + i, sizeof b);
    a ^= b;
    std::memcpy(into + i, &a, sizeof a);
  }
  for (; i < bytes; ++i) into[i] = static_cast<std::uint8_t>(into[i] ^ with[i]);
}

#if defined(__x86_64__)
[[gnu::target("avx2")]] void xor_by_avx2(std::uint8_t* into, const std::uint8_t* with, std::size_t bytes) {
  xor_words(into, with, bytes);
}
void exclusive_or(std::uint8_t* into, const std::uint8_t* with, std::size_t bytes) {
  static const bool there = __builtin_cpu_supports("avx2") != 0;
  there ? xor_by_avx2(into, with, bytes) : xor_words(into, with, bytes);
}

[[gnu::target("popcnt")]] std::uint64_t ones_by_instruction(ByteSpan a, const std::uint8_t* b) {
  return ones_of(a, b);
}
std::uint64_t ones(ByteSpan a, const std::uint8_t* b) {
  static const bool there = __builtin_cpu_supports("popcnt") != 0;
  return there ? ones_by_instruction(a, b) : ones_of(a, b);
}
#else
void exclusive_or(std::uint8_t* into, const std::uint8_t* with, std::size_t bytes) {
  xor_words(into, with, bytes);
}
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
  exclusive_or(into.data(), with.data(), into.size());
}

}  // namespace steadycell
