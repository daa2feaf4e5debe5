#pragma once
#include <cctype>
#include <string>
#include <string_view>

#include "steadycell/usb.h"

namespace steadycell::link {

// A UUID as USB serials have it: without dashes, in lower case.
inline std::string uuid_digits(std::string_view text) {
  std::string digits;
  for (const char c : text)
    if (c != '-') digits += static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
  return digits;
}

inline bool is_uuid(const std::string& digits) {
  return digits.size() == SCU_SERIAL_DIGITS && digits.find_first_not_of("0123456789abcdef") == std::string::npos;
}

}  // namespace steadycell::link
