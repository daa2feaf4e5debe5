// Faults that come late, during loading, or before the recording begins: they are seen whenever that is, and what is only slow is no
// fault. The circuits are those of board_model.h.
#include <gmock/gmock.h>

#include <cmath>

#include "supply/read_trace.h"
#include "supply/recordings.h"

namespace steadycell::supply::test {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

// A part that breaks down as it warms: the boot is sound, then the current rises and stays.
TEST(LateLoad, IsNeverSound) {
  for (const bool host : {false, true})
    for (const double more_mA : {110.0, 200.0, 350.0}) {
      Random r(11);
      const Board board;
      const Bench bench;
      std::vector<Block> load;
      boot(load, r, board, 0.0225, bench.end_s, Boot::whole, host);
      auto samples = simulate(board, bench, {}, load, r);
      EXPECT_EQ(diagnosed(samples).front().fault, Fault::healthy);
      EXPECT_LT(features_of(samples).sustained_mA, 80);
      for (Sample& s : samples)
        if (s.time_s > 0.7) s.mA += more_mA;
      const Features f = features_of(samples);
      EXPECT_NEAR(f.sustained_from_s + *f.t_on_s, 0.7, 0.2);  // the highest 50 ms begin where nothing bursts
      const auto list = diagnosed(samples);
      const Fault expected = host && more_mA < 300 ? Fault::unsure : Fault::rail_short;
      EXPECT_EQ(list.front().fault, expected) << host << " " << more_mA << "\n" << told(list);
    }
}

// USB 2.0, 7.2.1 (from memory): 100 mA before a host configures the stick. What rises and stays below that proves no fault, but is said.
TEST(LateRise, WithinWhatUsbAllowsIsSaidAndSoundnessIsLessSure) {
  for (const bool host : {false, true})
    for (const double more_mA : {0.0, 30.0, 60.0})
      for (int round = 0; round < kRounds; ++round) {
        Random r(static_cast<std::uint64_t>(round));
        const Board board = round == 0 ? Board() : random_board(r);
        const Bench bench;
        std::vector<Block> load;
        boot(load, r, board, 0.0225, bench.end_s, Boot::whole, host);
        if (more_mA > 0) load.push_back({0.8, bench.end_s, more_mA});
        const auto samples = simulate(board, bench, {}, load, r);
        const auto list = diagnosed(samples);
        EXPECT_NE(list.front().fault, Fault::rail_short) << told(list);
        if (features_of(samples).sustained_mA < 85) {  // nearer to 100 mA the figures allow no word
          EXPECT_EQ(list.front().fault, Fault::healthy) << host << " " << more_mA << "\n" << told(list);
          EXPECT_LT(confidence_in(list, Fault::rail_short), 0.1) << told(list);
        }
        if (more_mA == 0) {
          EXPECT_THAT(told(list), Not(HasSubstr("and they stay"))) << host;
          continue;
        }
        EXPECT_LE(confidence_in(list, Fault::healthy), host ? 0.8 : 0.7) << told(list);
        EXPECT_THAT(told(list), HasSubstr(host ? "bMaxPower" : "may draw 100 mA (USB 2.0)"));
      }
}

TEST(LateRise, AsTheTwinDoesIsNoDoubt) {
  Random r(5);
  const Board board;
  const Bench bench;
  std::vector<Block> load;
  boot(load, r, board, 0.0225, bench.end_s, Boot::whole, false);
  load.push_back({0.8, bench.end_s, 30});
  const Features trace = features_of(simulate(board, bench, {}, load, r)), twin = features_of(simulate(board, bench, {}, load, r));
  Settings settings;
  settings.rail = Rail::vbus;
  settings.limit_mA = 500;
  EXPECT_THAT(told(diagnose(trace, {}, settings, nullptr, &twin)), Not(HasSubstr("and they stay")));
  EXPECT_THAT(told(diagnose(trace, {}, settings, nullptr, nullptr)), HasSubstr("and they stay"));
}

// --- a short is seen whenever it comes and wherever the trace begins

// A board that boots, and from `from_s` on so much at so little on its rail, for `length_s`, then as `behind`
// says.
std::vector<Sample> loaded(double from_s, double mA, double volts, double length_s = 10, double behind_mA = 0,
                           double behind_V = 0) {
  Random r(4);
  auto samples = ModelBoard().samples(r);
  for (Sample& s : samples) {
    if (s.time_s < from_s) continue;
    const bool now = s.time_s < from_s + length_s;
    s.mA = (now ? mA : behind_mA) + (s.mA - std::round(s.mA)), s.volts = now ? volts : behind_V;
  }
  return samples;
}

double confidence_in_short(const std::vector<Diagnosis>& list) {
  return confidence_in(list, Fault::vbus_short) + confidence_in(list, Fault::rail_short);
}

// V / I is the resistance: 1.2 ohm is a hard short, 13 ohm may lie behind the regulator. USB 2.0, 7.2.2: a port
// stands at 4.4 V at least.
TEST(LateShort, ThatHoldsTheRailDownIsNoSoundBoardWhateverTheLimit) {
  for (const double from_s : {0.03, 0.06, 0.7, 1.18})
    for (const std::optional<double> limit_mA :
         {std::optional<double>(), std::optional(500.0), std::optional(900.0)}) {
      const auto hard = diagnosed(loaded(from_s, 500, 0.6), limit_mA);
      EXPECT_EQ(hard.front().fault, Fault::vbus_short) << from_s << "\n" << told(hard);
      EXPECT_EQ(confidence_in(hard, Fault::healthy), 0) << from_s << "\n" << told(hard);
      EXPECT_EQ(confidence_in(hard, Fault::limit_trip), 0) << from_s << "\n" << told(hard);
      EXPECT_THAT(told(hard), HasSubstr("1.20 ohm"));
      const auto soft = diagnosed(loaded(from_s, 300, 4.0), limit_mA);
      EXPECT_EQ(confidence_in(soft, Fault::healthy), 0) << from_s << "\n" << told(soft);
      EXPECT_GT(confidence_in_short(soft), 0.5) << from_s << "\n" << told(soft);
      if (soft.front().fault == Fault::unsure) {
        EXPECT_THAT(soft.front().next_step, HasSubstr("power off")) << soft.front().next_step;
      }
    }
}

TEST(LateShort, UnderWhichALimiterOpensIsATripAndNeverSound) {
  const auto samples = loaded(0.7, 500, 0.6, 8e-3);
  EXPECT_EQ(diagnosed(samples, 500).front().fault, Fault::limit_trip) << told(diagnosed(samples, 500));
  const auto other = diagnosed(samples, 900);  // another limiter than said
  EXPECT_EQ(confidence_in(other, Fault::healthy), 0) << told(other);
}

TEST(LateShort, OnASocketRailIsAShort) {
  for (const Row& row : labels()) {
    if (row.at("label") != "socket_ok") continue;
    auto samples = read_trace(kCurrentFolder + row.at("file")).samples;
    for (Sample& s : samples)
      if (s.time_s > samples.back().time_s / 2) s.mA += 90, s.volts = 0.3;
    Settings settings;
    settings.rail = parse_rail(row.at("rail"));
    settings.limit_mA = 500;
    const auto list = diagnose(features_of(samples), {}, settings, nullptr, nullptr);
    EXPECT_EQ(list.front().fault, Fault::socket_short) << row.at("file") << "\n" << told(list);
  }
}

// Without a single sample from before power, or with two: the first level is no zero.
TEST(WithoutSwitchOn, ShortFromTheFirstSampleIsAShort) {
  for (const double volts : {0.02, 0.3, 0.45, 1.2})
    for (const double limit_mA : {0.0, 250.0})
      for (const std::size_t rest : {0u, 2u, 5u}) {
        Random r(6);
        std::normal_distribution<> noise(0, 0.3);
        std::vector<Sample> samples(2000);
        for (std::size_t i = 0; i < samples.size(); ++i) {
          samples[i].time_s = 1e-3 * static_cast<double>(i);
          samples[i].mA = (i < rest ? 0 : 250) + noise(r),
          samples[i].volts = (i < rest ? 0 : volts) + 1e-3 * noise(r);
        }
        const auto list = diagnosed(samples, limit_mA > 0 ? std::optional(limit_mA) : std::nullopt);
        EXPECT_EQ(list.front().fault, Fault::vbus_short) << volts << " V behind " << rest << "\n" << told(list);
      }
}

TEST(WithoutSwitchOn, IdleCurrentAloneTellsNoDeadClock) {
  Random r(6);
  std::normal_distribution<> noise(0, 0.3);
  std::vector<Sample> samples(8000);
  for (std::size_t i = 0; i < samples.size(); ++i) {
    samples[i].time_s = 2.5e-4 * static_cast<double>(i);
    samples[i].mA = 9 + noise(r), samples[i].volts = 5;
  }
  const auto list = diagnosed(samples);
  EXPECT_EQ(list.front().fault, Fault::unsure) << told(list);
  EXPECT_LT(confidence_in(list, Fault::dead_clock), 0.5) << told(list);
  EXPECT_THAT(told(list), HasSubstr("begins after the switch-on"));
  EXPECT_THAT(told(list), Not(HasSubstr("were charged")));
}

// Switched off by hand while less flows than it passed before, which no limiter does.
TEST(SupplyGone, BelowWhatItPassedBeforeIsNoTrip) {
  for (const std::optional<double> limit_mA : {std::optional<double>(), std::optional(500.0)}) {
    auto samples = loaded(0.7, 0, 0);
    for (Sample& s : samples)
      if (s.time_s > 0.4) s.mA *= 0.3;  // idle firmware draws less than loading did
    const auto list = diagnosed(samples, limit_mA);
    EXPECT_EQ(confidence_in(list, Fault::limit_trip), 0) << told(list);
    EXPECT_THAT(told(list), HasSubstr("the supply went away"));
  }
}

// Every stage ten times as long: loading begins after 0.6 s.
TEST(SlowStick, LoadsHoweverLateItBegins) {
  for (int round = 0; round < kRounds; ++round) {
    Random r(static_cast<std::uint64_t>(round));
    ModelBoard made;
    made.board.reset_s = 0.2, made.board.clock_s = 0.1, made.board.rom_s = 0.35, made.board.load_s = 0.8;
    made.bench.end_s = 2;
    const auto list = diagnosed(made.samples(r));
    EXPECT_EQ(list.front().fault, Fault::healthy) << told(list);
    made.how = Boot::memory_silent;
    const auto silent = diagnosed(made.samples(r));
    EXPECT_EQ(silent.front().fault, Fault::nand_no_answer) << told(silent);
  }
}

// A regulator with foldback gives a hard short behind it a small, flat current; a controller in reset draws 2 to
// 10 mA.
TEST(Foldback, FlatCurrentBeyondResetIsADoubtWorthNaming) {
  for (const double mA : {5.0, 12.0, 16.0, 20.0, 25.0}) {
    Random r(8);
    ModelBoard made;
    made.how = Boot::no_clock;
    made.board.reset_mA = mA;
    const auto list = diagnosed(made.samples(r));
    if (mA < 10) {
      EXPECT_EQ(list.front().fault, Fault::dead_clock) << told(list);
      EXPECT_LT(confidence_in(list, Fault::rail_short), 0.05) << told(list);
    } else {
      EXPECT_GT(confidence_in(list, Fault::rail_short), 0.2) << mA << "\n" << told(list);
      EXPECT_GT(confidence_in(list, Fault::dead_clock), 0.2) << mA << "\n" << told(list);
    }
  }
}

}  // namespace
}  // namespace steadycell::supply::test
