#pragma once
#include <random>
#include <vector>

#include "base/bytes.h"

namespace steadycell::vote {

// Reads of one page: a hidden truth in which about one bit in eight is a coin toss on every read.
inline std::vector<Bytes> noisy_reads(std::size_t count, std::size_t bytes, std::uint64_t seed) {
  std::mt19937_64 random(seed);
  const auto byte = [&] { return static_cast<std::uint8_t>(random()); };
  Bytes truth(bytes), weak(bytes);
  for (std::size_t at = 0; at < bytes; ++at) {
    truth[at] = byte();
    weak[at] = static_cast<std::uint8_t>(byte() & byte() & byte());
  }
  std::vector<Bytes> reads(count, truth);
  for (Bytes& read : reads) {
    for (std::size_t at = 0; at < bytes; ++at)
      read[at] = static_cast<std::uint8_t>(read[at] ^ (weak[at] & byte()));
  }
  return reads;
}

inline std::vector<ByteSpan> spans_of(const std::vector<Bytes>& reads) {
  return {reads.begin(), reads.end()};
}

}  // namespace steadycell::vote
