#include "supply/report.h"

#include <gtest/gtest.h>

#include <set>

#include "supply/board_model.h"
#include "supply/judge.h"
#include "supply/read_trace.h"

namespace steadycell::supply::test {
namespace {

Features healthy_run() {
  Random r(1);
  Board board;
  std::vector<Block> load;
  boot(load, r, board, 0.0225, 1.2, Boot::whole, true);
  return features_of(simulate(board, {}, {}, load, r));
}

TEST(SupplyReport, EveryDiagnosisHasItsKeys) {
  const auto list = diagnose(healthy_run(), {}, {}, nullptr, nullptr);
  const json::Value value = to_json(list);
  ASSERT_FALSE(value.as_array().empty());
  for (const json::Value& d : value.as_array()) {
    for (const char* key : {"fault", "says", "next_step", "caution"})
      EXPECT_FALSE(d.at(key).as_string().empty()) << key;
    EXPECT_GE(d.at("confidence").as_double(), 0);
    EXPECT_LE(d.at("confidence").as_double(), 1);
    EXPECT_FALSE(d.at("evidence").as_array().empty());
  }
}

TEST(SupplyReport, FeaturesCarryUnitsAndUncertainty) {
  const json::Value value = to_json(healthy_run());
  EXPECT_GT(value.at("switch_on_uC").at("value").as_double(), 50);
  EXPECT_GT(value.at("switch_on_uC").at("sigma").as_double(), 0);
  EXPECT_FALSE(value.at("input_uF").at("at_least").as_bool());
  EXPECT_FALSE(value.at("chirp_s").is_null());
  EXPECT_FALSE(value.at("plateaus").as_array().empty());
  EXPECT_TRUE(json::parse(json::text_of(value)).has_value());  // no NaN among them
}

TEST(SupplyReport, EveryFaultHasWordsNextStepAndCaution) {
  for (int i = 0; i <= static_cast<int>(Fault::unsure); ++i) {
    const auto fault = static_cast<Fault>(i);
    EXPECT_FALSE(key_of(fault).empty());
    EXPECT_FALSE(words_for(fault).empty());
  }
}

// Two lines of advice that contradict each other are worse than none: a loop is never sent to a longer recording.
TEST(SupplyReport, BootLoopIsToldToStopAndNeverToRecordLonger) {
  for (int i = 0; i <= static_cast<int>(Fault::unsure); ++i) {
    const std::string next = next_step_for(Fault::boot_loop, static_cast<Fault>(i));
    for (const char* wrong : {"ten seconds", "record again", "record longer"}) EXPECT_EQ(next.find(wrong), std::string::npos) << next;
  }
  EXPECT_NE(caution_for(Fault::boot_loop).find("no power-up beyond"), std::string::npos);
}

TEST(SupplyReport, NothingIsEverCertain) {
  EXPECT_EQ(percent(1), ">99 %");
  EXPECT_EQ(percent(0.995), ">99 %");
  EXPECT_EQ(percent(0.994), "99 %");
  EXPECT_EQ(percent(0.001), "<1 %");
}

TEST(SupplyReport, ConfidencesAreOneAtMostTogetherAndEachNumberIsToldOnce) {
  for (const Row& row : labels()) {
    const Features f = features_of(read_trace(kCurrentFolder + row.at("file")).samples);
    for (const bool given : {true, false}) {
      Settings settings;
      if (given) settings.rail = parse_rail(row.at("rail")), settings.limit_mA = std::stod(row.at("ilim_mA"));
      const auto list = diagnose(f, {}, settings, nullptr, nullptr);
      double sum = 0;
      std::set<std::string> told;
      for (const Diagnosis& d : list) {
        sum += d.confidence;
        EXPECT_LE(d.confidence, list.front().confidence + 1e-12) << row.at("file");
        for (const std::string& line : d.evidence) {
          if (line.starts_with("the numbers above")) continue;
          EXPECT_TRUE(told.insert(line).second) << row.at("file") << ": " << line;
        }
      }
      EXPECT_LE(sum, 1 + 1e-9) << row.at("file");
      if (given || list.front().fault == Fault::unsure) continue;
      EXPECT_LE(list.front().confidence, 0.9 + 1e-9) << row.at("file");
    }
  }
}

// The samples may show the fall long behind the event: what the recorder switched off is no limiter, however near to it the load was.
TEST(SupplyDiagnosis, OwnSwitchOffIsNoTrip) {
  Random r(1);
  std::vector<Block> load;
  boot(load, r, {}, 0.0225, 1.2, Boot::whole, false);
  auto samples = simulate({}, {}, {}, load, r);
  TraceHeader header;
  header.rail = Rail::vbus;
  double most = 0;
  for (const Sample& s : samples)
    if (s.time_s > 0.05) most = std::max(most, s.mA);
  header.limit_mA = most;
  const double off_s = samples.back().time_s;
  for (int i = 1; i < 1000; ++i) samples.push_back({off_s + i * 1e-4, i < 400 ? most * 0.99 : 0, i < 400 ? 5.0 : 0});
  header.events = {{off_s - 0.01, "limit"}, {off_s, "off"}};
  const auto ours = diagnose(features_of(samples, header), header, {}, nullptr, nullptr);
  for (const Diagnosis& d : ours) EXPECT_TRUE(d.fault != Fault::limit_trip || d.confidence < 0.1);
  header.events = {{off_s + 0.04, "trip"}};
  EXPECT_EQ(diagnose(features_of(samples, header), header, {}, nullptr, nullptr).front().fault, Fault::limit_trip);
}

TEST(SupplyDiagnosis, TraceWithoutPowerIsUnsure) {
  std::vector<Sample> flat;
  for (int i = 0; i < 2000; ++i) {
    Sample s;
    s.time_s = i * 1e-4;
    flat.push_back(s);
  }
  const auto list = diagnose(features_of(flat), {}, {}, nullptr, nullptr);
  EXPECT_EQ(list.front().fault, Fault::unsure);
  EXPECT_NE(list.front().evidence.front().find("no moment with power"), std::string::npos);
}

TEST(SupplyDiagnosis, HandfulOfSamplesIsUnsureAndDoesNotCrash) {
  std::vector<Sample> samples;
  for (std::size_t n = 0; n < 70; ++n) {
    EXPECT_FALSE(diagnose(features_of(samples), {}, {}, nullptr, nullptr).empty());
    Sample s;
    s.time_s = static_cast<double>(n) * 1e-4;
    s.volts = n > 10 ? 5 : 0;
    s.mA = n > 10 ? 30 : 0;
    samples.push_back(s);
  }
}

// A trace that starts with power on shows no switch-on: what depends on it is not claimed.
TEST(SupplyDiagnosis, WithoutTheSwitchOnNothingIsSaidOfCapacitors) {
  Random r(1);
  Board board;
  std::vector<Block> load;
  boot(load, r, board, 0.0225, 1.2, Boot::whole, true);
  auto samples = simulate(board, {}, {}, load, r);
  samples.erase(samples.begin(), samples.begin() + 400);
  const Features f = features_of(samples);
  EXPECT_FALSE(f.t_on_s);
  EXPECT_FALSE(f.has_baseline);
  for (const Diagnosis& d : diagnose(f, {}, {}, nullptr, nullptr))
    EXPECT_TRUE(d.fault != Fault::missing_bulk && d.fault != Fault::inrush_large);
}

TEST(SupplyDiagnosis, MemoryDoesNotGrowWithTheTrace) {
  Analyzer analyzer({});
  Random r(2);
  std::normal_distribution<> noise(0, 0.3);
  for (int i = 0; i < 2'000'000; ++i) {
    Sample s;
    s.time_s = i * 1e-4;
    s.volts = i > 200 ? 5.0 : 0.0;
    s.mA = (i > 200 ? 5 : 0) + noise(r);
    analyzer.add(s);
  }
  const Features f = analyzer.finish();
  EXPECT_LE(f.bins.size(), 16384u);
  EXPECT_NEAR(f.duration_s, 200, 0.1);
}

}  // namespace
}  // namespace steadycell::supply::test
