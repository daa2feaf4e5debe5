#include "base/text.h"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>

namespace steadycell {
namespace {

// Length of the valid UTF-8 sequence (RFC 3629) that starts at `text`, and its code point; 0 when there is none.
std::size_t utf8_at(std::string_view text, std::uint32_t& point) {
  const auto byte = [&](std::size_t i) { return static_cast<std::uint8_t>(text[i]); };
  const std::uint8_t first = byte(0);
  const std::size_t length = first < 0x80                    ? 1
                             : first >= 0xC2 && first < 0xE0 ? 2
                             : first >= 0xE0 && first < 0xF0 ? 3
                             : first >= 0xF0 && first < 0xF5 ? 4
                                                             : 0;
  if (length == 0 || length > text.size()) return 0;
  point = length == 1 ? first : first & (0x7Fu >> length);
  for (std::size_t i = 1; i < length; ++i) {
    if ((byte(i) & 0xC0) != 0x80) return 0;
    point = point << 6 | (byte(i) & 0x3Fu);
  }
  const bool overlong = (length == 3 && point < 0x800) || (length == 4 && point < 0x10000);
  const bool surrogate = point >= 0xD800 && point < 0xE000;
  return overlong || surrogate || point > 0x10FFFF ? 0 : length;
}

bool harmful(std::uint32_t point) {
  return point < 0x20 || (point >= 0x7F && point < 0xA0) || point == 0x200E || point == 0x200F || point == 0x061C ||
         (point >= 0x202A && point <= 0x202E) || (point >= 0x2066 && point <= 0x2069) || point == 0x2028 || point == 0x2029;
}

}  // namespace

std::string printable(std::string_view raw) {
  std::string out;
  while (!raw.empty()) {
    std::uint32_t point = 0;
    const std::size_t length = utf8_at(raw, point);
    if (length == 0) {
      out += fmt::format("\\x{:02x}", static_cast<std::uint8_t>(raw[0]));
      raw.remove_prefix(1);
      continue;
    }
    if (harmful(point))
      out += point < 0x100 ? fmt::format("\\x{:02x}", point) : fmt::format("\\u{{{:04x}}}", point);
    else
      out.append(raw.substr(0, length));
    raw.remove_prefix(length);
  }
  return out;
}

std::optional<std::uint64_t> parse_number(std::string_view text) {
  std::uint64_t value = 0;
  const auto [end, code] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (code != std::errc() || end != text.data() + text.size() || text.empty()) return std::nullopt;
  return value;
}

std::optional<NumberRange> parse_range(std::string_view text) {
  const std::size_t dash = text.find('-');
  const auto first = parse_number(text.substr(0, dash));
  const auto last = dash == std::string_view::npos ? first : parse_number(text.substr(dash + 1));
  if (!first || !last || *first > *last || *last > 0xFFFF'FFFFu) return std::nullopt;
  return NumberRange{static_cast<std::uint32_t>(*first), static_cast<std::uint32_t>(*last)};
}

std::string human_bytes(std::uint64_t bytes) {
  static constexpr const char* kUnits[] = {"B", "KiB", "MiB", "GiB", "TiB"};
  double value = static_cast<double>(bytes);
  std::size_t unit = 0;
  while (value >= 1024 && unit + 1 < std::size(kUnits)) {
    value /= 1024;
    ++unit;
  }
  const bool whole = value == static_cast<double>(static_cast<std::uint64_t>(value));
  return whole ? fmt::format("{:.0f} {}", value, kUnits[unit]) : fmt::format("{:.1f} {}", value, kUnits[unit]);
}

std::string counted(std::uint64_t n, std::string_view one) { return fmt::format("{} {}{}", n, one, n == 1 ? "" : "s"); }

bool safe_name(std::string_view name) {
  if (name.empty() || name.size() > 64 || name[0] == '.' || name[0] == '-') return false;
  return std::all_of(name.begin(), name.end(), [](char c) {
    return (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '.' || c == '_' || c == '-';
  });
}

}  // namespace steadycell
