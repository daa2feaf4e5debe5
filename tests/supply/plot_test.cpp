#include "supply/plot.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "supply/board_model.h"

namespace steadycell::supply::test {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

struct Drawn {
  Features trace, twin;
  PlotInput input;
};
Drawn healthy_beside_itself() {
  Drawn d;
  for (Features* into : {&d.trace, &d.twin}) {
    Random r(into == &d.trace ? 1 : 2);
    std::vector<Block> load;
    boot(load, r, {}, 0.0225, 1.2, Boot::whole, false);
    const auto samples = simulate({}, {}, {}, load, r);
    *into = features_of(samples);
    if (into == &d.trace)
      for (const Sample& s : samples)
        if (s.time_s >= 0.019 && s.time_s < 0.028) d.input.switch_on.push_back(s);
  }
  d.input.title = "case7/trace.csv.gz";
  d.input.header.limit_mA = 40;
  d.input.header.events = {{0.02, "on"}, {0.9, "off"}};
  d.input.switch_on_s = 0.02;
  d.input.diagnosis = diagnose(d.trace, {}, {}, nullptr, nullptr).front();
  return d;
}

TEST(SupplyPlot, ShowsVerdictLevelsLimitEventsTwinAndSwitchOn) {
  Drawn d = healthy_beside_itself();
  d.input.trace = &d.trace;
  d.input.twin = &d.twin;
  d.input.parts_s = 0.3;
  const std::string svg = plot_svg(d.input);
  for (const std::string& words :
       {std::string(words_for(d.input.diagnosis.fault)), std::string("case7/trace.csv.gz"), std::string("limit 40 mA"), std::string(">on<"),
        std::string(">off<"), std::string("parts from the twin"), std::string("milliseconds after switch-on"),
        std::string("long dashes: the twin"), std::string(" mA</text>")})
    EXPECT_THAT(svg, HasSubstr(words));
  EXPECT_LT(svg.size(), 300'000u);
}

TEST(SupplyPlot, NothingButGreysTellsThingsApart) {
  Drawn d = healthy_beside_itself();
  d.input.trace = &d.trace;
  const std::string svg = plot_svg(d.input);
  for (std::size_t at = svg.find('#'); at != std::string::npos; at = svg.find('#', at + 1)) {
    const std::string colour = svg.substr(at + 1, 6);
    EXPECT_EQ(colour.substr(0, 2), colour.substr(2, 2)) << colour;
    EXPECT_EQ(colour.substr(0, 2), colour.substr(4, 2)) << colour;
  }
}

// A short: 100 mA for 12 ms at a limit of 100, then nothing for a second; its three events within 15 ms.
TEST(SupplyPlot, ShortIsShownWithItsPeakItsLimitAndItsEventsApart) {
  std::vector<Sample> samples(10'000);
  for (std::size_t i = 0; i < samples.size(); ++i) {
    samples[i].time_s = 1e-4 * static_cast<double>(i);
    if (i >= 200 && i < 320) samples[i].mA = 100, samples[i].volts = 0.3;
  }
  TraceHeader header;
  header.rail = Rail::vbus;
  header.limit_mA = 100;
  header.events = {{0.02, "on"}, {0.025, "limit"}, {0.032, "trip"}};
  const Features f = features_of(samples, header);
  PlotInput input;
  input.trace = &f;
  input.header = header;
  input.diagnosis = diagnose(f, header, {}, nullptr, nullptr).front();
  const std::string svg = plot_svg(input);
  EXPECT_THAT(svg, HasSubstr(">100</text>")) << "the axis reaches the peak";
  EXPECT_THAT(svg, HasSubstr(">limit 100 mA</text>"));
  EXPECT_THAT(svg, HasSubstr("never above 0.3"));
  EXPECT_THAT(svg, Not(HasSubstr("charge 0.0 uC")));
  std::vector<std::string> heights;
  for (const char* word : {">on<", ">limit<", ">trip<"}) {
    const std::size_t at = svg.find(word), from = svg.rfind(" y=\"", at);
    ASSERT_NE(at, std::string::npos) << word;
    heights.push_back(svg.substr(from, svg.find('"', from + 4) - from));
  }
  EXPECT_NE(heights[0], heights[1]);
  EXPECT_NE(heights[1], heights[2]);
  EXPECT_NE(heights[0], heights[2]);
}

TEST(SupplyPlot, TextFromFilesIsEscaped) {
  Drawn d = healthy_beside_itself();
  d.input.trace = &d.trace;
  d.input.title = "a<script>&\"\x1b.csv";
  d.input.header.events.push_back({0.5, "</text><b>"});
  const std::string svg = plot_svg(d.input);
  EXPECT_THAT(svg, HasSubstr("a&lt;script&gt;&amp;&quot;?.csv"));
  EXPECT_THAT(svg, Not(HasSubstr("<b>")));
}

TEST(SupplyPlot, TraceWithoutPowerIsDrawn) {
  std::vector<Sample> samples(500);
  for (std::size_t i = 0; i < samples.size(); ++i) samples[i].time_s = 1e-4 * static_cast<double>(i);
  const Features f = features_of(samples);
  PlotInput input;
  input.trace = &f;
  input.diagnosis = diagnose(f, {}, {}, nullptr, nullptr).front();
  const std::string svg = plot_svg(input);
  EXPECT_THAT(svg, HasSubstr("</svg>"));
  EXPECT_THAT(svg, Not(HasSubstr("nan")));
  EXPECT_THAT(svg, Not(HasSubstr("inf\"")));
}

}  // namespace
}  // namespace steadycell::supply::test
