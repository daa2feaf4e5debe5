#pragma once
#include <random>

#include "base/bytes.h"

namespace steadycell::assess {

inline Bytes random_bytes(std::size_t size, unsigned seed) {
  std::mt19937 random(seed);
  Bytes out(size);
  for (auto& byte : out) byte = static_cast<std::uint8_t>(random());
  return out;
}

inline Bytes under(Bytes content, ByteSpan mask) {
  for (std::size_t i = 0; i < content.size(); ++i) content[i] = static_cast<std::uint8_t>(content[i] ^ mask[i]);
  return content;
}

}  // namespace steadycell::assess
