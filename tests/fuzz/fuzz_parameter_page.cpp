// What a chip may answer: ID bytes and a parameter page. Whatever is accepted lies within the limits.
#include <algorithm>

#include "chip/identity.h"

using namespace steadycell;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 9) return 0;
  const ByteSpan id(data, 8), page(data + 9, size - 9);
  const auto found = chip::identify(id, page, (data[8] & 1) != 0);
  if (found && !chip::checked(found->geometry)) __builtin_trap();
  const auto by_page = chip::decode_parameter_page(page);
  if (by_page && !chip::checked(by_page->geometry)) __builtin_trap();
  return 0;
}
