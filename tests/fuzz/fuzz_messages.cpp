// What a client may send to the daemon, and a daemon to a client: the first byte is the size of the pieces.
#include <algorithm>

#include "api/failure.h"
#include "api/message.h"
#include "base/bytes.h"

using namespace steadycell;

namespace {

// What was understood can be said again, and means the same.
void check_request(std::string_view line) {
  const api::Received received = api::parse_request(line);
  if (received.request) {
    const std::string said = api::request_line(1, received.request->method, received.request->params);
    const api::Received again = api::parse_request(std::string_view(said).substr(0, said.size() - 1));
    if (!again.request || again.request->method != received.request->method) __builtin_trap();
  } else {
    (void)api::error_line(received.id, received.request.error());
  }
}

void check_answer(std::string_view line) {
  const auto value = json::parse(line);
  if (!value || !value->is_object()) return;
  (void)api::progress_of(value->get_object());
  if (const auto* inside = value->get_object().if_contains("error")) (void)api::error_of(*inside);
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 1) return 0;
  std::string_view text = as_text(ByteSpan(data + 1, size - 1));
  const std::size_t piece = 1 + data[0];
  api::LineReader lines(512);
  const auto take = [](const api::LineReader::Line& line) {
    if (line.text.size() > 512) __builtin_trap();
    check_request(line.text);
    check_answer(line.text);
    return true;
  };
  for (; !text.empty(); text.remove_prefix(std::min(piece, text.size()))) lines.feed(text.substr(0, piece), take);
  return 0;
}
