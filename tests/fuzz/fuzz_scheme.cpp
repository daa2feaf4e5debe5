// A scheme file from a stranger. What is accepted must come back from its own text and must decode any page without
// touching a byte outside its steps.
#include <vector>

#include "ecc/page_code.h"
#include "ecc/scheme.h"

using namespace steadycell;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const auto scheme = ecc::parse_scheme(as_text(ByteSpan(data, size)));
  if (!scheme) return 0;
  const auto again = ecc::parse_scheme(ecc::pretty(*scheme));
  if (!again || json::text_of(ecc::to_json(*again)) != json::text_of(ecc::to_json(*scheme))) __builtin_trap();

  auto code = ecc::PageCode::make(*scheme);
  if (!code) __builtin_trap();
  std::vector<std::uint8_t> used(scheme->raw_page_bytes());
  for (const ecc::Step& step : scheme->steps)
    for (const auto* ranges : {&step.data, &step.metadata, &step.code})
      for (const ecc::Range& range : *ranges)
        for (std::uint32_t i = 0; i < range.length; ++i) used[range.offset + i] = 1;
  Bytes page(scheme->raw_page_bytes());
  for (std::size_t i = 0; i < page.size(); ++i) page[i] = size == 0 ? 0 : static_cast<std::uint8_t>(data[i % size] + i);
  const Bytes read = page;
  std::vector<ecc::StepOutcome> outcomes(code->steps());
  std::vector<ecc::WrongBit> wrong;
  code->decode(page, outcomes, &wrong);
  code->encode(page);
  code->decode(page, outcomes, &wrong);
  // A step taken for erased is set to FF, metadata that it shares included, so with all_ff its neighbour may then fail.
  for (const ecc::StepOutcome& outcome : outcomes)
    if (scheme->erased == ecc::ErasedAs::codeword && outcome.status == ecc::StepStatus::failed) __builtin_trap();
  for (std::size_t i = 0; i < page.size(); ++i)
    if (!used[i] && page[i] != read[i]) __builtin_trap();
  return 0;
}
