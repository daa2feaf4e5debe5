// A whitening key from a stranger. What is accepted must come back from its own text, and must change no byte outside its ranges.
#include "assess/whitening_key.h"

using namespace steadycell;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const auto key = assess::parse_key(as_text(ByteSpan(data, size)));
  if (!key) return 0;
  const auto again = assess::parse_key(assess::to_text(*key));
  if (!again || *again != *key) __builtin_trap();

  std::vector<std::uint8_t> covered(key->page_bytes + key->spare_bytes);
  for (const assess::Range& range : key->bytes)
    for (std::uint32_t i = 0; i < range.length; ++i) covered[range.offset + i] = 1;
  assess::Unwhitener unwhitener(*key);
  for (std::uint64_t block = 0; block < 3; ++block) {
    Bytes page(covered.size());
    for (std::size_t i = 0; i < page.size(); ++i) page[i] = static_cast<std::uint8_t>(i < page.size() / 2 ? data[(i + block) % size] : 0);
    const Bytes before = page;
    unwhitener.apply(page, block * 0x123456789, static_cast<std::uint32_t>(size % key->pages_per_block));
    for (std::size_t i = 0; i < page.size(); ++i)
      if (!covered[i] && page[i] != before[i]) __builtin_trap();
  }
  return 0;
}
