// A supply trace from a stranger, in pieces, all the way to the diagnosis.
#include <algorithm>
#include <memory>

#include "base/bytes.h"
#include "supply/report.h"

using namespace steadycell;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 1) return 0;
  const std::size_t piece = 1 + data[0];
  ByteSpan bytes(data + 1, size - 1);
  supply::TraceParser parser;
  std::unique_ptr<supply::Analyzer> analyzer;
  const supply::TraceParser::Sink sink = [&](const supply::Sample& sample) {
    if (!analyzer) analyzer = std::make_unique<supply::Analyzer>(parser.header());
    analyzer->add(sample);
  };
  for (; !bytes.empty(); bytes = bytes.subspan(std::min(piece, bytes.size())))
    if (!parser.feed(as_text(bytes.first(std::min(piece, bytes.size()))), sink)) return 0;
  if (!parser.finish(sink) || !analyzer) return 0;
  const supply::Features features = analyzer->finish();
  const auto diagnoses = supply::diagnose(features, parser.header(), {}, &features, &features);
  if (diagnoses.empty() || json::text_of(supply::to_json(diagnoses)).empty()) __builtin_trap();
  return 0;
}
