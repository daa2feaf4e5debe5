#include "base/bytes.h"

#include <fmt/format.h>

#include <cassert>

namespace steadycell {
namespace {

template <typename T>
T load(ByteSpan at) {
  assert(at.size() >= sizeof(T));
  T value = 0;
  for (std::size_t i = 0; i < sizeof(T); ++i) value = static_cast<T>(value | (static_cast<T>(at[i]) << (8 * i)));
  return value;
}

template <typename T>
void store(MutableByteSpan at, T value) {
  assert(at.size() >= sizeof(T));
  for (std::size_t i = 0; i < sizeof(T); ++i) at[i] = static_cast<std::uint8_t>(value >> (8 * i));
}

std::optional<std::uint8_t> nibble(char c) {
  if (c >= '0' && c <= '9') return static_cast<std::uint8_t>(c - '0');
  if (c >= 'a' && c <= 'f') return static_cast<std::uint8_t>(c - 'a' + 10);
  if (c >= 'A' && c <= 'F') return static_cast<std::uint8_t>(c - 'A' + 10);
  return std::nullopt;
}

}  // namespace

std::uint16_t load_u16(ByteSpan at) { return load<std::uint16_t>(at); }
std::uint32_t load_u32(ByteSpan at) { return load<std::uint32_t>(at); }
std::uint64_t load_u64(ByteSpan at) { return load<std::uint64_t>(at); }
void store_u16(MutableByteSpan at, std::uint16_t value) { store(at, value); }
void store_u32(MutableByteSpan at, std::uint32_t value) { store(at, value); }
void store_u64(MutableByteSpan at, std::uint64_t value) { store(at, value); }

std::optional<Bytes> parse_hex(std::string_view text) {
  Bytes out;
  for (std::size_t i = 0; i < text.size();) {
    if (text[i] == ' ') {
      ++i;
      continue;
    }
    if (i + 1 >= text.size()) return std::nullopt;
    const auto high = nibble(text[i]), low = nibble(text[i + 1]);
    if (!high || !low) return std::nullopt;
    out.push_back(static_cast<std::uint8_t>(*high << 4 | *low));
    i += 2;
  }
  return out;
}

std::string hex_spaced(ByteSpan bytes) {
  std::string out;
  for (const std::uint8_t byte : bytes) out += fmt::format("{}{:02X}", out.empty() ? "" : " ", byte);
  return out;
}

std::string hex(ByteSpan bytes) {
  std::string out;
  out.reserve(bytes.size() * 2);
  for (const std::uint8_t byte : bytes) out += fmt::format("{:02x}", byte);
  return out;
}

}  // namespace steadycell
