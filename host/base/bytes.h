#pragma once
#include <array>
#include <bit>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace steadycell {

using Bytes = std::vector<std::uint8_t>;
using ByteSpan = std::span<const std::uint8_t>;
using MutableByteSpan = std::span<std::uint8_t>;

// Little-endian numbers in and out of byte spans. The caller has checked the size (asserted).
std::uint16_t load_u16(ByteSpan at);
std::uint32_t load_u32(ByteSpan at);
std::uint64_t load_u64(ByteSpan at);
void store_u16(MutableByteSpan at, std::uint16_t value);
void store_u32(MutableByteSpan at, std::uint32_t value);
void store_u64(MutableByteSpan at, std::uint64_t value);

// Number of ones in all bytes.
std::uint64_t count_ones(ByteSpan bytes);

// "EC DC 10 95 54" or "ecdc109554" (spaces optional between bytes); nothing when it is not that.
std::optional<Bytes> parse_hex(std::string_view text);
// Upper-case pairs with a space between: "EC DC 10".
std::string hex_spaced(ByteSpan bytes);
// Lower case, no space.
std::string hex(ByteSpan bytes);

inline ByteSpan as_bytes(std::string_view text) {
  return {reinterpret_cast<const std::uint8_t*>(text.data()), text.size()};
}
inline std::string_view as_text(ByteSpan bytes) {
  return {reinterpret_cast<const char*>(bytes.data()), bytes.size()};
}

}  // namespace steadycell
