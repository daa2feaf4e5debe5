// The files of an image bundle from strangers: the first byte picks the file, the second the size of the pieces.
#include <algorithm>

#include "image/corrections.h"
#include "image/manifest.h"
#include "image/margins.h"
#include "image/verdict.h"

using namespace steadycell;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 2) return 0;
  ByteSpan bytes(data + 2, size - 2);
  const std::size_t piece = 1 + data[1];
  const auto in_pieces = [&](auto&& feed) {
    for (; !bytes.empty(); bytes = bytes.subspan(std::min(piece, bytes.size())))
      if (!feed(bytes.first(std::min(piece, bytes.size())))) return false;
    return true;
  };
  switch (data[0] % 4) {
    case 0: {
      if (const auto manifest = image::parse_manifest(as_text(bytes)))
        if (!image::parse_manifest(json::text_of(image::to_json(*manifest)))) __builtin_trap();
      break;
    }
    case 1: {
      image::VerdictParser parser;
      std::string again;
      const image::VerdictParser::Sink sink = [&](const image::PageVerdict& v) -> Result<void> {
        image::append_line(v, again);
        return {};
      };
      if (in_pieces([&](ByteSpan part) { return parser.feed(as_text(part), sink).has_value(); }))
        (void)parser.finish(sink);
      break;
    }
    case 2: {
      image::CorrectionsReader reader(18, 3);
      (void)in_pieces([&](ByteSpan part) {
        return reader.feed(part, [](std::uint64_t, ByteSpan) -> Result<void> { return {}; }).has_value();
      });
      break;
    }
    default: {
      image::MarginsReader reader(18, 3);
      (void)in_pieces([&](ByteSpan part) {
        return reader.feed(part, [](std::uint64_t, const image::PageMargins&) -> Result<void> { return {}; })
            .has_value();
      });
    }
  }
  return 0;
}
