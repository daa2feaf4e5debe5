// The labelled traces of tests/data/current (circuit simulator, see its README): every label as the first
// diagnosis.
#include <gtest/gtest.h>

#include "supply/board_model.h"
#include "supply/diagnosis.h"
#include "supply/read_trace.h"

namespace steadycell::supply::test {
namespace {

Features features_in(const std::string& file) {
  return features_of(read_trace(kCurrentFolder + file).samples);
}

Settings settings_of(const Row& row) {
  Settings settings;
  settings.rail = parse_rail(row.at("rail"));
  settings.limit_mA = std::stod(row.at("ilim_mA"));
  return settings;
}

std::string first_of(const std::vector<Diagnosis>& diagnoses) {
  return std::string(key_of(diagnoses.front().fault));
}

TEST(SharedTraces, EveryLabelIsTheFirstDiagnosis) {
  const auto rows = labels();
  ASSERT_EQ(rows.size(), 57u);
  for (const Row& row : rows) {
    const Features f = features_in(row.at("file"));
    EXPECT_EQ(first_of(diagnose(f, {}, settings_of(row), nullptr, nullptr)), row.at("label"))
        << row.at("file") << " " << row.at("detail");
  }
}

TEST(SharedTraces, BurstAndTwinDoNotSpoilIt) {
  std::map<std::string, Features> twins;
  for (const Row& row : labels()) {
    const Features f = features_in(row.at("file")), burst = features_in(row.at("burst_file"));
    const Features* twin = nullptr;
    if (const std::string& name = row.at("twin"); !name.empty()) {
      if (!twins.contains(name)) twins.emplace(name, features_in(name));
      twin = &twins.at(name);
    }
    EXPECT_EQ(first_of(diagnose(f, {}, settings_of(row), &burst, twin)), row.at("label")) << row.at("file");
  }
}

// Noise added so that it doubles, and neighbours averaged so that sampling halves.
TEST(SharedTraces, TwiceTheNoiseOrHalfTheSamplesChangeNoLabel) {
  Random random(23);
  for (const Row& row : labels()) {
    const Trace trace = read_trace(kCurrentFolder + row.at("file"));
    const double sigma = row.at("rail") == "vbus" ? 0.32 : 0.06;
    std::normal_distribution<> more(0, std::sqrt(3.0) * sigma);
    std::vector<Sample> noisy = trace.samples, slow;
    for (Sample& s : noisy) s.mA += more(random);
    for (std::size_t i = 0; i + 1 < trace.samples.size(); i += 2) {
      Sample s = trace.samples[i];
      s.mA = (s.mA + trace.samples[i + 1].mA) / 2;
      s.volts = (s.volts + trace.samples[i + 1].volts) / 2;
      slow.push_back(s);
    }
    EXPECT_EQ(first_of(diagnose(features_of(noisy), {}, settings_of(row), nullptr, nullptr)), row.at("label"))
        << row.at("file") << " noisy";
    EXPECT_EQ(first_of(diagnose(features_of(slow), {}, settings_of(row), nullptr, nullptr)), row.at("label"))
        << row.at("file") << " slow";
  }
}

TEST(SharedTraces, PortTracesWithoutRailOrLimitAreReadAsThePort) {
  for (const Row& row : labels()) {
    if (row.at("rail") != "vbus") continue;
    const Features f = features_in(row.at("file"));
    EXPECT_EQ(first_of(diagnose(f, {}, {}, nullptr, nullptr)), row.at("label")) << row.at("file");
  }
}

// A rail that never came up may be any: without a word on it the answer is unsure when the caller assumes nothing.
TEST(SharedTraces, AShortOnAnUnknownRailIsUnsure) {
  Settings nothing;
  nothing.assume_port = false;
  for (const Row& row : labels())
    if (const std::string& label = row.at("label");
        label == "vbus_short" || label == "socket_short" || label == "socket_reversed") {
      EXPECT_EQ(first_of(diagnose(features_in(row.at("file")), {}, nothing, nullptr, nullptr)), "unsure")
          << row.at("file");
    }
}

// A limiter that opens within a millisecond or two leaves little to look at, but a dead short is one from the first sample on.
TEST(SharedTraces, AShortIsAShortHoweverSoonTheLimiterOpens) {
  for (const Row& row : labels()) {
    if (row.at("label") != "vbus_short") continue;
    for (const double open_s : {0.5e-3, 1e-3, 2e-3, 2.1e-3, 3e-3, 4.2e-3, 7e-3, 20e-3}) {
      std::vector<Sample> cut = read_trace(kCurrentFolder + row.at("file")).samples;
      const auto rise = std::find_if(cut.begin(), cut.end(), [](const Sample& s) { return s.mA > 10; });
      ASSERT_NE(rise, cut.end());
      const double end_s = rise->time_s + open_s;
      for (Sample& s : cut)
        if (s.time_s >= end_s) s.mA = s.volts = 0;
      const auto list = diagnose(features_of(cut), {}, settings_of(row), nullptr, nullptr);
      EXPECT_EQ(first_of(list), "vbus_short") << row.at("file") << ", open after " << open_s << " s: " << list.front().evidence.front();
    }
  }
}

// No short is called healthy and no healthy board shorted, not even as second guess of weight.
TEST(SharedTraces, ShortAndHealthyAreNeverConfused) {
  const auto weight = [](const std::vector<Diagnosis>& list, std::initializer_list<Fault> faults) {
    double sum = 0;
    for (const Diagnosis& d : list)
      if (std::find(faults.begin(), faults.end(), d.fault) != faults.end()) sum += d.confidence;
    return sum;
  };
  for (const Row& row : labels()) {
    const auto list = diagnose(features_in(row.at("file")), {}, settings_of(row), nullptr, nullptr);
    const std::string& label = row.at("label");
    if (label.ends_with("_short") || label == "socket_reversed") {
      EXPECT_LT(weight(list, {Fault::healthy, Fault::socket_ok}), 0.01) << row.at("file");
    }
    if (label == "healthy" || label == "socket_ok") {
      EXPECT_LT(weight(list, {Fault::vbus_short, Fault::rail_short, Fault::socket_short, Fault::socket_reversed}),
                0.01)
          << row.at("file");
    }
  }
}

// Noise-free truth of the simulator, against what a 12-bit converter with noise and 0.6 % gain error shows.
TEST(SharedTraces, SwitchOnChargeIsWithinTenPercentOfTheTruth) {
  for (const Row& row : labels()) {
    if (row.at("label").ends_with("_short") || row.at("label") == "socket_reversed") continue;  // no ramp to end
    const double truth = std::stod(row.at("true_q_on_uC"));
    const Features f = features_in(row.at("file"));
    EXPECT_NEAR(f.switch_on_uC.value, truth, std::max(0.1 * truth, 3 * f.switch_on_uC.sigma)) << row.at("file");
  }
}

TEST(SharedTraces, PeriodsAndDropsAreCounted) {
  for (const Row& row : labels()) {
    const Features f = features_in(row.at("file"));
    if (!row.at("period_ms").empty()) {
      ASSERT_TRUE(f.period_s) << row.at("file");
      EXPECT_NEAR(f.period_s->value * 1e3, std::stod(row.at("period_ms")), 0.02 * std::stod(row.at("period_ms")))
          << row.at("file");
    }
    if (!row.at("n_drops").empty()) {
      EXPECT_EQ(f.drop_count, std::stoull(row.at("n_drops"))) << row.at("file");
    }
  }
}

TEST(SharedTraces, EndLevelIsTheTruth) {
  for (const Row& row : labels()) {
    const Features f = features_in(row.at("file"));
    const double truth = std::stod(row.at("true_tail_mA"));
    EXPECT_NEAR(f.end_mA, truth, 0.025 * truth + 0.15) << row.at("file");
  }
}

}  // namespace
}  // namespace steadycell::supply::test
