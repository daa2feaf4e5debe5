// A fixture file, or a trace that one names, from a stranger; the first byte says which. What is accepted keeps the rules
// and makes a bench that can be looked at.
#include <algorithm>
#include <string_view>

#include "base/bytes.h"
#include "simbench/board.h"
#include "simbench/trace.h"

using namespace steadycell;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 1) return 0;
  const std::string_view text = as_text(ByteSpan(data + 1, size - 1));
  if ((data[0] & 1) != 0) {
    const auto trace = simbench::parse_trace(text);
    if (!trace) return 0;
    if (trace->size() < 2 || !std::is_sorted(trace->time_s.begin(), trace->time_s.end())) __builtin_trap();
    (void)simbench::switch_on_of(*trace);
    return 0;
  }
  // The fuzzer must not find its way to files of this machine.
  if (text.find('/') != std::string_view::npos || text.find("\\u") != std::string_view::npos) return 0;
  const auto fixture = simbench::parse_fixture(text, "nowhere");
  if (!fixture) return 0;
  if (!simbench::check_fixture(*fixture)) __builtin_trap();
  const simbench::SimBoard board(*fixture);
  if (board.socket_mv() != 0 || !board.violations().empty()) __builtin_trap();
  return 0;
}
