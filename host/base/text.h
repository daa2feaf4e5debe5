#pragma once
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace steadycell {

// Bytes from a chip or a file, made safe for a terminal: control characters (C0, C1, DEL) and bidirectional
// overrides become \xNN or \u{NNNN}; valid UTF-8 passes, anything else is escaped byte by byte.
std::string printable(std::string_view raw);

// Both ends belong to the range: "10-19" is ten numbers, "7" one.
struct NumberRange {
  std::uint32_t first = 0, last = 0;
};
std::optional<NumberRange> parse_range(std::string_view text);

// Whole decimal number, nothing else around it.
std::optional<std::uint64_t> parse_number(std::string_view text);

// IEC sizes for people: "512 MiB", "2304 KiB", "17 B"; one decimal when it is not whole.
std::string human_bytes(std::uint64_t bytes);

// "1 page", "2 pages"
std::string counted(std::uint64_t n, std::string_view one);

// True for the names we let into paths: [A-Za-z0-9._-]{1,64}, not starting with '.' or '-'.
bool safe_name(std::string_view name);

}  // namespace steadycell
