// Socket maps and tables of contact readings from strangers: the first byte picks which.
#include "base/bytes.h"
#include "contact/contact.h"
#include "contact/socket_map.h"
#include "contact/table.h"

using namespace steadycell;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 1) return 0;
  const std::string_view text = as_text(ByteSpan(data + 1, size - 1));
  if (data[0] % 2 == 0) {
    (void)contact::parse_map(text);
  } else if (const auto cases = contact::parse_table(text)) {
    for (const contact::Case& one : *cases) (void)contact::judge(one.readings);
  }
  return 0;
}
