#include "ecc/hamming.h"

#include <bit>
#include <cassert>

namespace steadycell::ecc {
namespace {

constexpr unsigned kColumnPairs = 3;

bool odd(std::uint32_t bits) { return (std::popcount(bits) & 1) != 0; }

}  // namespace

std::uint32_t HammingCode::parities(ByteSpan data) const {
  std::uint32_t all = 0;       // XOR of every byte: column parities
  std::uint32_t odd_lines = 0; // XOR of the indices of bytes with odd parity: the set-bit line parities
  bool odd_bytes = false;
  for (std::uint32_t i = 0; i < data.size(); ++i) {
    all ^= data[i];
    if (odd(data[i])) {
      odd_lines ^= i;
      odd_bytes = !odd_bytes;
    }
  }
  std::uint32_t out = 0;
  for (unsigned k = 0; k < line_pairs(); ++k) {
    const bool set = (odd_lines >> k & 1u) != 0;
    out |= static_cast<std::uint32_t>(set) << (2 * k + 1) | static_cast<std::uint32_t>(set != odd_bytes) << (2 * k);
  }
  static constexpr std::uint32_t kColumns[2 * kColumnPairs] = {0x55, 0xAA, 0x33, 0xCC, 0x0F, 0xF0};
  for (unsigned k = 0; k < 2 * kColumnPairs; ++k)
    out |= static_cast<std::uint32_t>(odd(all & kColumns[k])) << (2 * line_pairs() + k);
  return out;
}

std::uint32_t HammingCode::load(ByteSpan code) const {
  const bool high_first = order_ == HammingOrder::high_line_first;
  const std::uint32_t high = static_cast<std::uint8_t>(~code[high_first ? 0 : 1]),
                      low = static_cast<std::uint8_t>(~code[high_first ? 1 : 0]);
  const std::uint32_t last = static_cast<std::uint8_t>(~code[2]);
  const std::uint32_t lines = high << 8 | low, columns = last >> 2;
  return data_bytes_ == 256 ? lines | columns << 16 : lines | (last & 3u) << 16 | columns << 18;
}

void HammingCode::store(std::uint32_t p, MutableByteSpan code) const {
  const bool high_first = order_ == HammingOrder::high_line_first;
  code[high_first ? 0 : 1] = static_cast<std::uint8_t>(~(p >> 8));
  code[high_first ? 1 : 0] = static_cast<std::uint8_t>(~p);
  const std::uint32_t last = data_bytes_ == 256 ? (p >> 16 & 0x3Fu) << 2 : (p >> 18 & 0x3Fu) << 2 | (p >> 16 & 3u);
  code[2] = static_cast<std::uint8_t>(~last);
}

void HammingCode::encode(ByteSpan data, MutableByteSpan code) const {
  assert(data.size() == data_bytes_ && code.size() == kHammingCodeBytes);
  store(parities(data), code);
}

Decoded HammingCode::decode(MutableByteSpan data, MutableByteSpan code) const {
  assert(data.size() == data_bytes_ && code.size() == kHammingCodeBytes);
  const std::uint32_t computed = parities(data);
  const std::uint32_t syndrome = computed ^ load(code);
  if (syndrome == 0) return {};
  if (std::popcount(syndrome) == 1) {  // a bit of the code itself
    const std::uint8_t pad = data_bytes_ == 256 ? code[2] & 3u : 0;
    store(computed, code);
    if (data_bytes_ == 256) code[2] = static_cast<std::uint8_t>((code[2] & ~3u) | pad);
    return {DecodeStatus::corrected, 1};
  }
  const unsigned pairs = line_pairs() + kColumnPairs;
  std::uint32_t index = 0;
  for (unsigned k = 0; k < pairs; ++k) {
    const std::uint32_t pair = syndrome >> (2 * k) & 3u;
    if (pair != 1 && pair != 2) return {DecodeStatus::failed, 0};  // not exactly one of each pair
    index |= (pair >> 1) << k;
  }
  const std::uint32_t byte = index & ((1u << line_pairs()) - 1), bit = index >> line_pairs();
  data[byte] = static_cast<std::uint8_t>(data[byte] ^ (1u << bit));
  return {DecodeStatus::corrected, 1};
}

}  // namespace steadycell::ecc
