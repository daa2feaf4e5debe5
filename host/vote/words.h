#pragma once
#include <array>
#include <cstdint>
#include <cstring>

#include "base/bytes.h"

namespace steadycell::vote {

// The kernels work on chunks of 512 bits: loops of fixed length that the compiler turns into vector instructions.
// Which byte lands where in a word does not matter, since every operation works on each bit alone.
inline constexpr std::size_t kChunkWords = 8;
inline constexpr std::size_t kChunkBytes = kChunkWords * sizeof(std::uint64_t);

struct Chunk {
  std::array<std::uint64_t, kChunkWords> word{};

  static Chunk ones() {
    Chunk all;
    all.word.fill(~std::uint64_t{0});
    return all;
  }
  static Chunk load(const std::uint64_t* from) {
    Chunk chunk;
    std::memcpy(chunk.word.data(), from, kChunkBytes);
    return chunk;
  }
  void store(std::uint64_t* to) const { std::memcpy(to, word.data(), kChunkBytes); }
  // A chunk of a page: the bytes from `offset`; what lies behind the end reads as 0 and is never written. The copy
  // of a whole chunk has a fixed size, so it becomes a few vector moves.
  static Chunk load(ByteSpan bytes, std::size_t offset) {
    Chunk chunk;
    if (bytes.size() - offset >= kChunkBytes) {
      std::memcpy(chunk.word.data(), bytes.data() + offset, kChunkBytes);
    } else {
      std::memcpy(chunk.word.data(), bytes.data() + offset, bytes.size() - offset);
    }
    return chunk;
  }
  void store(MutableByteSpan bytes, std::size_t offset) const {
    if (bytes.size() - offset >= kChunkBytes) {
      std::memcpy(bytes.data() + offset, word.data(), kChunkBytes);
    } else {
      std::memcpy(bytes.data() + offset, word.data(), bytes.size() - offset);
    }
  }
  bool any() const {
    std::uint64_t all = 0;
    for (const std::uint64_t w : word) all |= w;
    return all != 0;
  }
};

template <typename Operation>
inline Chunk each(const Chunk& a, const Chunk& b, Operation operation) {
  Chunk out;
  for (std::size_t i = 0; i < kChunkWords; ++i) out.word[i] = operation(a.word[i], b.word[i]);
  return out;
}
inline Chunk operator&(const Chunk& a, const Chunk& b) {
  return each(a, b, [](auto x, auto y) { return x & y; });
}
inline Chunk operator|(const Chunk& a, const Chunk& b) {
  return each(a, b, [](auto x, auto y) { return x | y; });
}
inline Chunk operator^(const Chunk& a, const Chunk& b) {
  return each(a, b, [](auto x, auto y) { return x ^ y; });
}
// a without b
inline Chunk and_not(const Chunk& a, const Chunk& b) {
  return each(a, b, [](auto x, auto y) { return x & ~y; });
}

// Adds three bits of equal weight in every position: the sum stays, the carry has twice the weight.
struct Sum {
  Chunk sum, carry;
};
inline Sum add_three(const Chunk& a, const Chunk& b, const Chunk& c) {
  const Chunk half = a ^ b;
  return {half ^ c, (a & b) | (half & c)};
}

// Where the bit-sliced numbers in planes[0..count) stand to a constant that fits into them.
struct Comparison {
  Chunk greater, equal;
};
inline Comparison compare(const Chunk* planes, std::uint32_t count, std::uint32_t constant) {
  Comparison result{Chunk{}, Chunk::ones()};
  for (std::uint32_t plane = count; plane-- > 0;) {
    if ((constant >> plane & 1U) != 0) {
      result.equal = result.equal & planes[plane];
    } else {
      result.greater = result.greater | (result.equal & planes[plane]);
      result.equal = and_not(result.equal, planes[plane]);
    }
  }
  return result;
}

// Bits that some but not all of `votes` votes read as 1.
inline Chunk unsteady(const Chunk* planes, std::uint32_t count, std::uint32_t votes) {
  Chunk some;
  for (std::uint32_t plane = 0; plane < count; ++plane) some = some | planes[plane];
  return and_not(some, compare(planes, count, votes).equal);
}

}  // namespace steadycell::vote
