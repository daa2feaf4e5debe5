#pragma once
#include <array>
#include <fstream>
#include <sstream>
#include <string>

#include "base/bytes.h"

// Parameter pages for tests: worked ones from files, and made ones.
namespace steadycell::chip::testing {

// Bytes of tests/data/onfi-pages/NAME.hex.
inline Bytes worked_page(const std::string& name) {
  std::ifstream file(std::string(STEADYCELL_TEST_DATA) + "/onfi-pages/" + name + ".hex");
  std::string hex_text;
  for (std::string line; std::getline(file, line);)
    if (!line.starts_with('#')) hex_text += line + ' ';
  return parse_hex(hex_text).value();
}

// The checksum of ONFI pages, written from its definition and apart from the code under test: polynomial division of the
// message bit by bit.
inline std::uint16_t onfi_crc(ByteSpan bytes) {
  std::uint16_t remainder = 0x4F4E;
  for (const std::uint8_t byte : bytes)
    for (int bit = 7; bit >= 0; --bit) {
      const bool out = (remainder >> 15 & 1) != (byte >> bit & 1);
      remainder = static_cast<std::uint16_t>(remainder << 1);
      if (out) remainder = static_cast<std::uint16_t>(remainder ^ 0x8005);
    }
  return remainder;
}

inline void seal(MutableByteSpan page) { store_u16(page.last(2), onfi_crc(page.first(page.size() - 2))); }

inline Bytes repeated(ByteSpan page, std::size_t copies) {
  Bytes out;
  for (std::size_t i = 0; i < copies; ++i) out.insert(out.end(), page.begin(), page.end());
  return out;
}

// A JESD230 page, offsets counted from the kernel's structure; no published one was found.
inline Bytes jedec_page() {
  Bytes page(512);
  const MutableByteSpan at(page);
  const auto put = [&](std::size_t offset, std::string_view text) {
    std::copy(text.begin(), text.end(), page.begin() + static_cast<std::ptrdiff_t>(offset));
  };
  put(0, "JESD");
  store_u16(at.subspan(4), 1u << 2);  // revision 1.0
  page[13] = 3;
  put(32, "INVENTED    ");
  put(44, "EXAMPLE-32G         ");
  store_u32(at.subspan(80), 16384);
  store_u16(at.subspan(84), 1280);
  store_u32(at.subspan(92), 258);
  store_u32(at.subspan(96), 1048);
  page[100] = 2;
  page[101] = 0x23;
  page[102] = 2;
  page[104] = 1;
  store_u16(at.subspan(157), 75);
  page[211] = 40;
  page[212] = 10;
  seal(at);
  return page;
}

}  // namespace steadycell::chip::testing
