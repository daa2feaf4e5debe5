#pragma once
#include <cctype>
#include <string>
#include <string_view>

namespace steadycell::link {

// A UUID as USB serials have it: without dashes, in lower case.
inline std::string uuid_digits(std::string_view text) {
  std::string digits;
  for (const char c : text)
    if (c != '-') digits += static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
  return digits;
}

}  // namespace steadycell::link
