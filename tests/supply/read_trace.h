#pragma once
#include <gtest/gtest.h>
#include <zlib.h>

#include <fstream>
#include <map>
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

// The simulated traces and what is the matter with each; see the README there.
inline const std::string kCurrentFolder = STEADYCELL_TEST_DATA "/current/";

using Row = std::map<std::string, std::string>;

inline std::vector<Row> labels() {
  std::ifstream in(kCurrentFolder + "labels.csv");
  const auto cells = [](const std::string& line) {
    std::vector<std::string> out(1);
    bool quoted = false;
    for (const char c : line) {
      if (c == '"')
        quoted = !quoted;
      else if (c == ',' && !quoted)
        out.emplace_back();
      else if (c != '\r')
        out.back() += c;
    }
    return out;
  };
  std::vector<Row> rows;
  std::string line;
  std::getline(in, line);
  const auto names = cells(line);
  while (std::getline(in, line)) {
    const auto values = cells(line);
    Row row;
    for (std::size_t i = 0; i < names.size(); ++i) row[names[i]] = values.at(i);
    rows.push_back(row);
  }
  return rows;
}

}  // namespace steadycell::supply::test
