#pragma once
#include <array>
#include <cstring>
#include <span>
#include <utility>

#include "base/bytes.h"

namespace steadycell::vote {

// The floor of a vote: reads `votes` streams and writes `outputs`, in vectors of the widest registers that the processor has, with no more
// arithmetic than it takes to make every read count. A vote of as many streams cannot be expected to be faster.
template <std::size_t kVotes, std::size_t kOutputs, std::size_t kWidth>
[[gnu::always_inline]] inline void read_and_write_vectors(const std::uint8_t* const* reads, std::uint8_t* const* outputs, std::size_t bytes) {
  using Vector [[gnu::vector_size(kWidth)]] = std::uint64_t;
  std::array<const std::uint8_t*, kVotes> from;
  for (std::size_t read = 0; read < kVotes; ++read) from[read] = reads[read];
#pragma GCC unroll 2
  for (std::size_t at = 0; at + kWidth <= bytes; at += kWidth) {
    Vector all{}, one;
#pragma GCC unroll 32
    for (std::size_t read = 0; read < kVotes; ++read) {
      std::memcpy(&one, from[read] + at, kWidth);
      all ^= one;
    }
#pragma GCC unroll 8
    for (std::size_t out = 0; out < kOutputs; ++out) std::memcpy(outputs[out] + at, &all, kWidth);
  }
}
template <std::size_t kVotes, std::size_t kOutputs>
[[gnu::target("avx512f")]] void read_and_write_512(const std::uint8_t* const* reads, std::uint8_t* const* outputs, std::size_t bytes) {
  read_and_write_vectors<kVotes, kOutputs, 64>(reads, outputs, bytes);
}
template <std::size_t kVotes, std::size_t kOutputs>
[[gnu::target("avx2")]] void read_and_write_256(const std::uint8_t* const* reads, std::uint8_t* const* outputs, std::size_t bytes) {
  read_and_write_vectors<kVotes, kOutputs, 32>(reads, outputs, bytes);
}
template <std::size_t kVotes, std::size_t kOutputs>
void read_and_write_wide(const std::uint8_t* const* reads, std::uint8_t* const* outputs, std::size_t bytes) {
  if (__builtin_cpu_supports("avx512f")) return read_and_write_512<kVotes, kOutputs>(reads, outputs, bytes);
  return read_and_write_256<kVotes, kOutputs>(reads, outputs, bytes);
}

inline void read_and_write_words(std::span<const ByteSpan> reads, std::span<const MutableByteSpan> outputs) {
  for (std::size_t at = 0; at + 8 <= outputs[0].size(); at += 8) {
    std::uint64_t all = 0, word = 0;
    for (const ByteSpan read : reads) {
      std::memcpy(&word, read.data() + at, 8);
      all ^= word;
    }
    for (const MutableByteSpan out : outputs) std::memcpy(out.data() + at, &all, 8);
  }
}

template <std::size_t kVotes>
void read_and_write(std::span<const ByteSpan> reads, std::span<const MutableByteSpan> outputs) {
  std::array<const std::uint8_t*, kVotes> from;
  std::array<std::uint8_t*, 7> to{};
  for (std::size_t read = 0; read < kVotes; ++read) from[read] = reads[read].data();
  for (std::size_t out = 0; out < outputs.size(); ++out) to[out] = outputs[out].data();
  const std::size_t bytes = outputs[0].size();
  switch (__builtin_cpu_supports("avx2") ? outputs.size() : 0) {
    case 2: return read_and_write_wide<kVotes, 2>(from.data(), to.data(), bytes);
    case 3: return read_and_write_wide<kVotes, 3>(from.data(), to.data(), bytes);
    case 4: return read_and_write_wide<kVotes, 4>(from.data(), to.data(), bytes);
    case 5: return read_and_write_wide<kVotes, 5>(from.data(), to.data(), bytes);
    case 6: return read_and_write_wide<kVotes, 6>(from.data(), to.data(), bytes);
    default: return read_and_write_words(reads, outputs);
  }
}

inline void read_and_write(std::span<const ByteSpan> reads, std::span<const MutableByteSpan> outputs) {
  switch (reads.size()) {
    case 3: return read_and_write<3>(reads, outputs);
    case 4: return read_and_write<4>(reads, outputs);
    case 5: return read_and_write<5>(reads, outputs);
    case 7: return read_and_write<7>(reads, outputs);
    case 9: return read_and_write<9>(reads, outputs);
    case 15: return read_and_write<15>(reads, outputs);
    case 31: return read_and_write<31>(reads, outputs);
    default: return read_and_write_words(reads, outputs);
  }
}

// A vote as one writes it first: a counter a bit.
inline void count_each_bit(std::span<const ByteSpan> reads, MutableByteSpan voted, MutableByteSpan unsure) {
  const std::size_t votes = reads.size();
  for (std::size_t at = 0; at < voted.size(); ++at) {
    std::array<std::uint32_t, 8> ones{};
    for (const ByteSpan read : reads)
      for (unsigned bit = 0; bit < 8; ++bit) ones[bit] += read[at] >> bit & 1U;
    unsigned value = 0, mask = 0;
    for (unsigned bit = 0; bit < 8; ++bit) {
      const bool tie_kept = 2 * ones[bit] == votes && (reads[0][at] >> bit & 1U) != 0;
      value |= (2 * ones[bit] > votes || tie_kept ? 1U : 0U) << bit;
      mask |= (ones[bit] != 0 && ones[bit] != votes ? 1U : 0U) << bit;
    }
    voted[at] = static_cast<std::uint8_t>(value);
    unsure[at] = static_cast<std::uint8_t>(mask);
  }
}

}  // namespace steadycell::vote
