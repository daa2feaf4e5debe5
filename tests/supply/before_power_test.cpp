// The check before power as evidence beside the trace. Sources: Ohm's law; at 0.2 V no silicon junction conducts, so what does is a
// resistor on the 5 V side (textbook diode law); every controller pin has a clamp to ground (common practice, no source).
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "supply/board_model.h"
#include "supply/cold_readings.h"
#include "supply/diagnosis.h"

namespace steadycell::supply::test {
namespace {

using ::testing::Contains;
using ::testing::HasSubstr;

// A stick that boots, with a resistor of `port_ohm` on its 5 V side.
std::vector<Sample> booting(double port_ohm = 0, std::uint64_t seed = 1) {
  Random r(seed);
  std::vector<Block> load;
  boot(load, r, {}, 0.0225, 1.2, Boot::whole, false);
  auto samples = simulate({}, {}, {}, load, r);
  if (port_ohm > 0)
    for (Sample& s : samples) s.mA += s.volts / port_ohm * 1e3;
  return samples;
}

std::vector<Diagnosis> with(const std::vector<Sample>& samples, const std::optional<ColdReadings>& cold) {
  TraceHeader header;
  header.rail = Rail::vbus;
  header.limit_mA = 500;
  header.cold = cold;
  return diagnose(features_of(samples, header), header, {}, nullptr, nullptr);
}

TEST(BeforePower, ResistorSeenAtAFifthOfAVoltIsOnTheFiveVoltSide) {
  for (const double ohm : {60.0, 100.0, 400.0}) {
    const auto list = with(booting(ohm), stick(ohm));
    EXPECT_EQ(list.front().fault, Fault::vbus_short) << ohm;
    EXPECT_THAT(list.front().evidence, Contains(HasSubstr(fmt::format("{:.0f} ohm", ohm + 0.4)))) << ohm;
    EXPECT_THAT(list.front().next_step, HasSubstr("VBUS")) << ohm;
  }
}

// 60 ohm take 83 mA, and with the boot more than a limit of 100 mA: the known resistor is named, not the limit to
// be raised.
TEST(BeforePower, KnownResistorUnderWhichTheLimiterOpensIsNamedFirst) {
  Random r(1);
  std::vector<Block> load;
  boot(load, r, {}, 0.0225, 1.2, Boot::whole, false);
  Bench bench;
  bench.limit_mA = 100, bench.trip_ms = 5;
  FaultCircuit fault;
  fault.short_5V_ohm = 60;
  TraceHeader header;
  header.rail = Rail::vbus;
  header.limit_mA = 100;
  header.cold = stick(60);
  const auto samples = simulate({}, bench, fault, load, r);
  const Features f = features_of(samples, header);
  ASSERT_FALSE(f.collapses.empty());
  const auto list = diagnose(f, header, {}, nullptr, nullptr);
  EXPECT_EQ(list.front().fault, Fault::vbus_short) << told(list);
  EXPECT_THAT(list.front().evidence, Contains(HasSubstr("no more current before the resistor is found")))
      << told(list);
}

TEST(BeforePower, LoadThatAFifthOfAVoltDoesNotSeeLiesBehindTheRegulator) {
  const auto list = with(booting(60), stick(250e3));
  EXPECT_EQ(list.front().fault, Fault::rail_short);
  EXPECT_THAT(list.front().evidence, Contains(HasSubstr("250.0 kohm")));
}

// The limiter holds the port at an apparent 3 to 30 ohm: a short at 5 V and one behind a regulator look the same.
TEST(BeforePower, PortHeldDownIsToldApartByTheOhmsBefore) {
  std::vector<Sample> samples(3000);
  for (std::size_t i = 0; i < samples.size(); ++i) {
    samples[i].time_s = 1e-4 * static_cast<double>(i);
    if (i >= 200 && i < 320) samples[i].mA = 100, samples[i].volts = 1.6;
  }
  EXPECT_EQ(with(samples, stick(16)).front().fault, Fault::vbus_short);
  EXPECT_EQ(with(samples, stick(250e3)).front().fault, Fault::rail_short);
}

TEST(BeforePower, DeadDataLineIsNotHealthy) {
  ColdReadings bridged = stick(250e3), cut = bridged, no_clamp = bridged;
  bridged.data_forward[0] = into(0.5, 0, 1e-4, 1.5), bridged.data_backward[0] = into(0.5, 0, -1e-4, 1.5);
  cut.data_forward[1] = open(1e-4), cut.data_backward[1] = open(-1e-4);
  no_clamp.data_backward[0] = open(-1e-4);
  for (const auto& [cold, said] :
       {std::pair{&bridged, "D+ reads 0 mV"}, {&cut, "D- is open both ways"}, {&no_clamp, "D+ has no junction to ground"}}) {
    const auto list = with(booting(), *cold);
    EXPECT_EQ(list.front().fault, Fault::data_line) << said;
    EXPECT_THAT(list.front().evidence, Contains(HasSubstr(said)));
    EXPECT_THAT(list.front().next_step, HasSubstr("D+ and D-"));
    EXPECT_THAT(list.front().caution, HasSubstr("no host"));
  }
  const auto sound = with(booting(), stick(250e3));
  EXPECT_EQ(sound.front().fault, Fault::healthy);
  EXPECT_GT(sound.front().confidence, 0.9);
}

TEST(BeforePower, ClampUnlikeTheTwinsIsADoubtNotAVerdict) {
  TraceHeader header;
  header.rail = Rail::vbus;
  header.cold = header.cold_twin = stick(250e3);
  header.cold->data_backward[0] = junction(0.45, -1e-4);
  const auto list = diagnose(features_of(booting(), header), header, {}, nullptr, nullptr);
  EXPECT_EQ(list.front().fault, Fault::healthy);
  ASSERT_GE(list.size(), 2u);
  EXPECT_EQ(list[1].fault, Fault::data_line);
  EXPECT_GT(list[1].confidence, 0.2);
}

TEST(BeforePower, ResistorThatTakesNothingAtFiveVoltsIsNotAShort) {
  const auto list = with(booting(), stick(100));
  EXPECT_NE(list.front().fault, Fault::vbus_short);
  EXPECT_TRUE(
      std::any_of(list.begin(), list.end(), [](const Diagnosis& d) { return d.fault == Fault::intermittent && d.confidence > 0.3; }));
}

// A capacitor charged before power, and none at switch-on: the path opened meanwhile.
TEST(BeforePower, PathThatOpenedMeanwhileComesAndGoes) {
  std::vector<Sample> samples(3000);
  for (std::size_t i = 0; i < samples.size(); ++i) samples[i] = {1e-4 * static_cast<double>(i), 0, i < 200 ? 0.0 : 5.0};
  EXPECT_EQ(with(samples, std::nullopt).front().fault, Fault::open_path);
  const auto list = with(samples, stick(250e3));
  EXPECT_TRUE(
      std::any_of(list.begin(), list.end(), [](const Diagnosis& d) { return d.fault == Fault::intermittent && d.confidence > 0.3; }));
  ColdReadings open_then = stick(1e9, 0);
  open_then.junction = open(-1e-4);
  const auto open_both = with(samples, open_then);
  EXPECT_EQ(open_both.front().fault, Fault::open_path);
  EXPECT_GT(open_both.front().confidence, 0.9);
}

TEST(BeforePower, CapacitorThatTheTraceCannotShowIsMeasuredBefore) {
  auto samples = booting();
  samples.erase(samples.begin(), samples.begin() + 400);  // begins powered
  EXPECT_EQ(with(samples, stick(250e3, 0.2)).front().fault, Fault::missing_bulk);
  EXPECT_EQ(with(samples, stick(250e3, 10)).front().fault, Fault::healthy);
}

TEST(BeforePower, HeaderKeepsTheReadings) {
  TraceHeader header;
  header.rail = Rail::vbus;
  header.cold = stick(100);
  header.cold_twin = stick(250e3);
  std::string text;
  append_header(header, false, text);
  append_sample({0.1, 1, 5}, false, text);
  TraceParser parser;
  ASSERT_TRUE(parser.feed(text, [](const Sample&) {}));
  ASSERT_TRUE(parser.finish([](const Sample&) {}));
  ASSERT_TRUE(parser.header().cold && parser.header().cold_twin);
  EXPECT_EQ(judge_cold(*parser.header().cold, &*parser.header().cold_twin).findings, judge_cold(*header.cold, &*header.cold_twin).findings);
  EXPECT_THAT(text, HasSubstr("# cold_finding: supply to ground is 100 ohm"));
}

TEST(BeforePower, HalfACheckAndNonsenseAreRefused) {
  const auto read = [](std::string_view header) {
    TraceParser parser;
    auto fed = parser.feed(std::string(header) + "0.1,1,5\n", [](const Sample&) {});
    return fed ? parser.finish([](const Sample&) {}) : fed;
  };
  EXPECT_TRUE(read(""));
  for (const char* bad :
       {"# cold: supply_forward 1 2 3 4 5 6\n", "# cold: supply_forward 1 2 3 4 5 6 7 8\n", "# cold: elsewhere 1 2 3 4 5 6 7\n",
        "# cold: supply_forward 1 2 3 4 5 6 x\n", "# cold: supply_forward 1 2 3 4 5 6 7\n"})
    EXPECT_FALSE(read(bad)) << bad;
}

}  // namespace
}  // namespace steadycell::supply::test
