#include "supply/trace.h"

#include <gtest/gtest.h>

#include <cmath>

namespace steadycell::supply {
namespace {

struct Parsed {
  std::vector<Sample> samples;
  TraceHeader header;
};

Result<Parsed> parse(std::string_view text, std::size_t piece = std::string_view::npos) {
  TraceParser parser;
  Parsed out;
  const TraceParser::Sink sink = [&](const Sample& s) { out.samples.push_back(s); };
  while (!text.empty()) {
    if (auto fed = parser.feed(text.substr(0, piece), sink); !fed) return failure(fed.error());
    text.remove_prefix(std::min(piece, text.size()));
  }
  if (auto done = parser.finish(sink); !done) return failure(done.error());
  out.header = parser.header();
  return out;
}

TEST(Trace, FileOfAnotherKindIsNamedForWhatItIs) {
  const std::string long_json = "{\"diagnoses\":[" + std::string(5000, ' ') + "]}";
  const std::pair<std::string, const char*> cases[] = {{"{\n  \"diagnoses\": []\n}\n", "JSON"}, {long_json, "JSON"},
                                                       {"[1,2,3]\n", "JSON"},                       {"<svg></svg>\n", "XML or HTML"},
                                                       {"\x1f\x8b\x08 whatever", "gzip"},           {"PK\x03\x04 whatever", "zip archive"},
                                                       {std::string("\x7f""ELF\0\0", 6), "no text"}};
  for (const auto& [text, kind] : cases)
    for (const std::size_t piece : {std::size_t{8}, std::string::npos}) {
      const auto trace = parse(text, piece);
      ASSERT_FALSE(trace) << kind;
      EXPECT_EQ(trace.error().code(), ErrorCode::bad_input_file);
      EXPECT_NE(trace.error().what().find(kind), std::string::npos) << trace.error().text();
      EXPECT_NE(trace.error().text().find("time_s,current_mA,vbus_V"), std::string::npos);
      EXPECT_EQ(trace.error().text().find("line 1"), std::string::npos);
    }
}

TEST(Trace, ReadsHeaderColumnsAndSamplesInPiecesOfAnySize) {
  const std::string text =
      "# schema: steadycell-trace/1\n# sample_kind: averaged\n# rail: socket3v3\n# limit_mA: 100\n# t_on_s: 0.02\n"
      "# board: whatever\ntime_s,current_mA,vbus_V\r\n0.0000,0.81,0.000\r\n# event: 0.00005 "
      "on\n0.0001,-1.13,3.3\n";
  for (std::size_t piece = 1; piece < 40; ++piece) {
    const auto trace = parse(text, piece);
    ASSERT_TRUE(trace) << trace.error().text();
    EXPECT_EQ(trace->header.rail, Rail::socket3v3);
    EXPECT_EQ(trace->header.limit_mA, 100.0);
    EXPECT_EQ(trace->header.t_on_s, 0.02);
    EXPECT_EQ(trace->header.kind, "averaged");
    ASSERT_EQ(trace->header.events.size(), 1u);
    EXPECT_EQ(trace->header.events[0].text, "on");
    ASSERT_EQ(trace->samples.size(), 2u);
    EXPECT_EQ(trace->samples[1].mA, -1.13);
    EXPECT_EQ(trace->samples[1].volts, 3.3);
  }
}

TEST(Trace, WhatIsWrittenReadsBack) {
  TraceHeader header;
  header.kind = "averaged";
  header.rail = Rail::vbus;
  header.limit_mA = 500;
  header.t_on_s = 0.02;
  header.full_scale_mA = 649.8;
  header.events = {{0.02, "on"}, {0.3, "trip"}};
  std::string text;
  append_header(header, true, text);
  Sample sample;
  sample.time_s = 0.125;
  sample.mA = -0.161;
  sample.volts = 5.05;
  sample.probe_volts = {3.301, std::nan("")};
  append_sample(sample, true, text);
  const auto trace = parse(text);
  ASSERT_TRUE(trace) << trace.error().text();
  EXPECT_EQ(trace->header.full_scale_mA, 649.8);
  EXPECT_EQ(trace->header.events.size(), 2u);
  ASSERT_EQ(trace->samples.size(), 1u);
  EXPECT_EQ(trace->samples[0].mA, -0.161);
  EXPECT_EQ(trace->samples[0].probe_volts[0], 3.301);
  EXPECT_TRUE(std::isnan(trace->samples[0].probe_volts[1]));
}

TEST(Trace, ColumnsMayStandInAnyOrderOrBeMissingAltogether) {
  const auto swapped = parse("vbus_V,time_s,current_mA\n5.0,1,20\n");
  ASSERT_TRUE(swapped);
  EXPECT_EQ(swapped->samples[0].mA, 20);
  const auto bare = parse("0,1.5,5.0\n0.1,2.5,5.1\n");
  ASSERT_TRUE(bare);
  EXPECT_EQ(bare->samples[1].mA, 2.5);
}

TEST(Trace, CurrentMayStandInAnotherUnitAndAFileThatNamesNoneIsKnown) {
  const auto ampere = parse("time_s,current_A,vbus_V\n0,0.0025,5.0\n");
  ASSERT_TRUE(ampere);
  EXPECT_DOUBLE_EQ(ampere->samples[0].mA, 2.5);
  EXPECT_TRUE(ampere->header.unit_stated);
  const auto micro = parse("vbus_V,current_uA,time_s\n5.0,2500,0\n");
  ASSERT_TRUE(micro);
  EXPECT_DOUBLE_EQ(micro->samples[0].mA, 2.5);
  EXPECT_FALSE(parse("time_s,current_A,current_mA,vbus_V\n0,1,1,5\n"));
  EXPECT_FALSE(parse("time_s,current_A,vbus_V\n0,1e6,5\n"));
  EXPECT_FALSE(parse("0,2.5,5.0\n")->header.unit_stated);
  EXPECT_TRUE(parse("# schema: steadycell-trace/1\n0,2.5,5.0\n")->header.unit_stated);
}

TEST(Trace, LostSamplesLeaveAGapInTime) {
  const auto trace = parse("time_s,current_mA,vbus_V\n0,1,5\n1,,5\n2,1,\n3,1,5\n");
  ASSERT_TRUE(trace);
  ASSERT_EQ(trace->samples.size(), 2u);
  EXPECT_EQ(trace->samples[1].time_s, 3);
}

TEST(Trace, HostileTextIsRefusedWithItsLine) {
  const std::string head = "time_s,current_mA,vbus_V\n0,1,5\n";
  const struct {
    std::string text;
    const char* says;
  } cases[] = {
      {"", "no samples"},
      {"time_s,current_mA,vbus_V\n", "no samples"},
      {"time_s,power,vbus_V\n", "column \"power\""},
      {"time_s,vbus_V\n", "\"current_mA\" is missing"},
      {"time_s,time_s,current_mA,vbus_V\n", "twice"},
      {head + "0.1,nan,5\n", "line 3"},
      {head + "0.1,inf,5\n", "line 3"},
      {head + "0.1,1e9,5\n", "line 3"},
      {head + "0.1,0x10,5\n", "line 3"},
      {head + "0.1,\"1,5\",5\n", "4 columns"},
      {head + "0.1,1\n", "2 columns"},
      {head + "0,1,5\n", "does not rise"},
      {head + "-1,1,5\n", "does not rise"},
      {head + ",1,5\n", "time_s"},
      {head + "\x1b[2J,1,5\n", "\\x1b"},
      {"# limit_mA: minus\n" + head, "limit_mA"},
      {"# rail: mains\n" + head, "mains"},
      {"# sample_kind: guess\n" + head, "sample_kind"},
      {"# event: now trip\n" + head, "event"},
      {"0,1\n", "2 columns without a column line"},
      {head + std::string(5000, '1'), "longer than"},
      {std::string(5000, '\0'), "this is no text"},
  };
  for (const auto& c : cases) {
    const auto trace = parse(c.text);
    ASSERT_FALSE(trace) << c.text.substr(0, 60);
    EXPECT_EQ(trace.error().code(), ErrorCode::bad_input_file);
    EXPECT_NE(trace.error().what().find(c.says), std::string::npos) << trace.error().what();
  }
}

TEST(Trace, SpreadsheetsAreReadOrToldWhatToChange) {
  const auto whole = parse("\xEF\xBB\xBFtime_s,current_mA,vbus_V\r\n0,1,5\r\n");  // a byte order mark
  ASSERT_TRUE(whole) << whole.error().text();
  for (const std::string text : {"time_s;current_mA;vbus_V\n0;1;5\n", "time_s\tcurrent_mA\tvbus_V\n0\t1\t5\n", "0,0000;0,81;0,000\n"}) {
    const auto trace = parse(text);
    ASSERT_FALSE(trace) << text;
    EXPECT_NE(trace.error().text().find("commas between the fields and a decimal point"), std::string::npos) << trace.error().text();
  }
  const auto lost = parse("time_s,current_mA,vbus_V\n0,NaN,5\n");
  ASSERT_FALSE(lost);
  EXPECT_NE(lost.error().text().find("leave the field empty"), std::string::npos) << lost.error().text();
  const auto wide = parse(std::string("\xFF\xFEt\0i\0\n", 7));
  ASSERT_FALSE(wide);
  EXPECT_NE(wide.error().text().find("UTF-8"), std::string::npos) << wide.error().text();
}

TEST(Trace, ANewerSchemaIsNamedAsSuch) {
  EXPECT_EQ(parse("# schema: steadycell-trace/2\n0,1,5\n").error().code(), ErrorCode::version_unknown);
}

}  // namespace
}  // namespace steadycell::supply
