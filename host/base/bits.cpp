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

// Ones of a, or of a XOR b. Inlined into a function that may use the instruction, it does; four words a step.
template <bool kDifference>
[[gnu::always_inline]] inline std::uint64_t ones_of(ByteSpan a, [[maybe_unused]] const std::uint8_t* b) {
  const auto ones_at = [&](std::size_t at, std::size_t bytes) {
    std::uint64_t word = word_at(a.data() + at, bytes);
    if constexpr (kDifference) word ^= word_at(b + at, bytes);
    return static_cast<std::uint64_t>(__builtin_popcountll(word));
  };
  std::uint64_t ones = 0;
  std::size_t i = 0;
  for (; i + 32 <= a.size(); i += 32) ones += (ones_at(i, 8) + ones_at(i + 8, 8)) + (ones_at(i + 16, 8) + ones_at(i + 24, 8));
  for (; i < a.size(); i += 8) ones += ones_at(i, a.size() - i);
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

// Bytes from the front that are 0, or the same as those of `other`, in steps of 256: masks are nearly empty and reads nearly the
// same, and this goes through them at the pace of the cache.
template <bool kDifference>
[[gnu::always_inline]] inline std::size_t zeros_in_front(const std::uint8_t* bytes, [[maybe_unused]] const std::uint8_t* other,
                                                         std::size_t count) {
  using Words [[gnu::vector_size(64)]] = std::uint64_t;
  std::size_t i = 0;
  for (; i + 4 * sizeof(Words) <= count; i += 4 * sizeof(Words)) {
    Words part[4];
    std::memcpy(part, bytes + i, sizeof part);
    if constexpr (kDifference) {
      Words with[4];
      std::memcpy(with, other + i, sizeof with);
      for (int word = 0; word < 4; ++word) part[word] ^= with[word];
    }
    const Words any = (part[0] | part[1]) | (part[2] | part[3]);
    if ((any[0] | any[1] | any[2] | any[3] | any[4] | any[5] | any[6] | any[7]) != 0) break;
  }
  return i;
}

// Place of the first byte from `from` on that is not 0, or not that of `other`. The rest of a word first: whoever asks for the next
// one asks from behind the last.
template <bool kDifference, typename Zeros>
std::size_t next_not_zero(ByteSpan bytes, [[maybe_unused]] const std::uint8_t* other, std::size_t from, const Zeros& zeros) {
  const auto word = [&](std::size_t at, std::size_t count) {
    if constexpr (kDifference) return word_at(bytes.data() + at, count) ^ word_at(other + at, count);
    else return word_at(bytes.data() + at, count);
  };
  std::size_t at = from;
  for (; at < bytes.size() && at % 8 != 0; ++at)
    if (word(at, 1) != 0) return at;
  at += zeros(at);
  while (at + 8 <= bytes.size() && word(at, 8) == 0) at += 8;
  while (at < bytes.size() && word(at, 1) == 0) ++at;
  return at;
}

#if defined(__x86_64__)
template <bool kDifference>
[[gnu::target("avx2")]] std::size_t zeros_by_avx2(const std::uint8_t* bytes, const std::uint8_t* other, std::size_t count) {
  return zeros_in_front<kDifference>(bytes, other, count);
}
template <bool kDifference>
std::size_t zeros(const std::uint8_t* bytes, const std::uint8_t* other, std::size_t count) {
  static const bool there = __builtin_cpu_supports("avx2") != 0;
  return there ? zeros_by_avx2<kDifference>(bytes, other, count) : zeros_in_front<kDifference>(bytes, other, count);
}

[[gnu::target("avx2")]] void xor_by_avx2(std::uint8_t* into, const std::uint8_t* with, std::size_t bytes) {
  xor_words(into, with, bytes);
}
void exclusive_or(std::uint8_t* into, const std::uint8_t* with, std::size_t bytes) {
  static const bool there = __builtin_cpu_supports("avx2") != 0;
  there ? xor_by_avx2(into, with, bytes) : xor_words(into, with, bytes);
}

template <bool kDifference>
[[gnu::target("popcnt")]] std::uint64_t ones_by_instruction(ByteSpan a, const std::uint8_t* b) {
  return ones_of<kDifference>(a, b);
}
template <bool kDifference>
std::uint64_t ones(ByteSpan a, const std::uint8_t* b) {
  static const bool there = __builtin_cpu_supports("popcnt") != 0;
  return there ? ones_by_instruction<kDifference>(a, b) : ones_of<kDifference>(a, b);
}
#else
template <bool kDifference>
std::size_t zeros(const std::uint8_t* bytes, const std::uint8_t* other, std::size_t count) {
  return zeros_in_front<kDifference>(bytes, other, count);
}

void exclusive_or(std::uint8_t* into, const std::uint8_t* with, std::size_t bytes) {
  xor_words(into, with, bytes);
}
template <bool kDifference>
std::uint64_t ones(ByteSpan a, const std::uint8_t* b) {
  return ones_of<kDifference>(a, b);
}
#endif

}  // namespace

std::uint64_t count_ones(ByteSpan bytes) {
  return ones<false>(bytes, nullptr);
}

std::uint64_t count_differing(ByteSpan a, ByteSpan b) {
  assert(a.size() == b.size());
  return ones<true>(a, b.data());
}

std::size_t next_set_byte(ByteSpan mask, std::size_t from) {
  return next_not_zero<false>(mask, nullptr, from,
                              [&](std::size_t at) { return zeros<false>(mask.data() + at, nullptr, mask.size() - at); });
}

std::size_t next_difference(ByteSpan a, ByteSpan b, std::size_t from) {
  assert(a.size() == b.size());
  return next_not_zero<true>(a, b.data(), from,
                             [&](std::size_t at) { return zeros<true>(a.data() + at, b.data() + at, a.size() - at); });
}

void xor_into(MutableByteSpan into, ByteSpan with) {
  assert(into.size() == with.size());
  exclusive_or(into.data(), with.data(), into.size());
}

}  // namespace steadycell
