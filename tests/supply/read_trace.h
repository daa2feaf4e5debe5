#pragma once
#include <gtest/gtest.h>
#include <zlib.h>

#include <string>
#include <vector>

#include "supply/features.h"

namespace steadycell::supply::test {

inline std::string read_gz(const std::string& path) {
  std::string text;
  const gzFile file = gzopen(path.c_str(), "rb");
  if (!file) return text;
  char piece[65536];
  for (int n; (n = gzread(file, piece, sizeof piece)) > 0;) text.append(piece, static_cast<std::size_t>(n));
  gzclose(file);
  return text;
}

struct Trace {
  TraceHeader header;
  std::vector<Sample> samples;
};

inline Trace read_trace(const std::string& path) {
  Trace trace;
  TraceParser parser;
  const TraceParser::Sink sink = [&](const Sample& s) { trace.samples.push_back(s); };
  const std::string text = read_gz(path);
  auto read = parser.feed(text, sink);
  if (read) read = parser.finish(sink);
  EXPECT_TRUE(read) << path << ": " << read.error().text();
  trace.header = parser.header();
  return trace;
}

}  // namespace steadycell::supply::test
