// Recordings that show less than they seem to, or something else: no switch-on, samples missing, a channel that was not connected. No short
// may be called sound in them, and no sound board faulty for what the recording hides. The circuits are those of board_model.h.
#include <gmock/gmock.h>

#include <cmath>

#include "supply/read_trace.h"
#include "supply/recordings.h"

namespace steadycell::supply::test {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

template <typename Keep>
std::vector<Sample> only(std::vector<Sample> samples, Keep keep) {
  std::erase_if(samples, [&](const Sample& s) { return !keep(s.time_s); });
  return samples;
}

TEST(WithoutSwitchOn, LoadBehindTheRegulatorIsNeverSoundNorIdle) {
  for (const double missing_s : {0.0, 0.010, 0.200})
    for (int round = 0; round < kRounds; ++round) {
      Random r(static_cast<std::uint64_t>(round));
      ModelBoard made = drawn(r);
      made.fault.short_3V3_ohm = std::exp(uniform(r, std::log(5), std::log(40)));
      const auto list = diagnosed(only(made.samples(r), [&](double t) { return t >= made.bench.t_on_s + missing_s; }));
      EXPECT_NE(list.front().fault, Fault::healthy) << missing_s << "\n" << told(list);
      EXPECT_NE(list.front().fault, Fault::dead_clock) << missing_s << "\n" << told(list);
    }
}

TEST(WithoutSwitchOn, SoundBoardIsNoShortAndSoundnessIsLimited) {
  for (int round = 0; round < kRounds; ++round) {
    Random r(static_cast<std::uint64_t>(round));
    const ModelBoard made = drawn(r);
    const auto list = diagnosed(only(made.samples(r), [&](double t) { return t >= made.bench.t_on_s + 5e-3; }));
    EXPECT_LT(confidence_in(list, Fault::rail_short) + confidence_in(list, Fault::vbus_short), 0.5) << told(list);
    EXPECT_LE(confidence_in(list, Fault::healthy), 0.7 + 1e-9) << told(list);
  }
}

TEST(TornSwitchOn, GapHidesChargeAndProvesNeitherOpenPathNorMissingCapacitor) {
  for (int round = 0; round < kRounds; ++round) {
    Random r(static_cast<std::uint64_t>(round));
    ModelBoard made = drawn(r);
    const auto whole = [&](double t) {
      return t < made.bench.t_on_s - 0.5e-3 || t > made.bench.t_on_s + made.bench.ramp_ms * 1e-3 + 1.5e-3;
    };
    const auto sound = diagnosed(only(made.samples(r), whole));
    EXPECT_EQ(sound.front().fault, Fault::healthy) << told(sound);
    EXPECT_LE(sound.front().confidence, 0.7 + 1e-9) << told(sound);
    made.fault.regulator_dead = true;
    const auto dead = diagnosed(only(made.samples(r), whole));
    EXPECT_EQ(dead.front().fault, Fault::unsure) << told(dead);
  }
}

// A converter whose range ends at 40 mA, which no header tells.
TEST(TornSwitchOn, ConverterAtItsEndIsSeenAndChargesAreAtLeast) {
  for (int round = 0; round < kRounds; ++round) {
    Random r(static_cast<std::uint64_t>(round));
    ModelBoard made = drawn(r);
    made.board.bulk_uF = uniform(r, 10, 12);
    made.bench.ramp_ms = 1;  // 50 mA and more: I = C dV/dt
    for (const double uF : {made.board.bulk_uF, 100.0}) {
      made.board.bulk_uF = uF;
      auto samples = made.samples(r);
      EXPECT_FALSE(features_of(samples).clipped_at_mA);
      for (Sample& s : samples) s.mA = std::min(s.mA, 40.0);
      const Features f = features_of(samples);
      ASSERT_TRUE(f.clipped_at_mA) << uF;
      EXPECT_DOUBLE_EQ(*f.clipped_at_mA, 40.0);
      EXPECT_TRUE(f.switch_on_uC.at_least);
      const auto list = diagnosed(samples);
      EXPECT_LT(confidence_in(list, Fault::missing_bulk), 0.1) << told(list);
      EXPECT_LE(confidence_in(list, Fault::healthy), 0.7 + 1e-9) << told(list);
      EXPECT_THAT(told(list), HasSubstr("range ends there"));
    }
  }
}

TEST(TornSwitchOn, NoSharedTraceIsTakenForCutOff) {
  for (const Row& row : labels())
    EXPECT_FALSE(features_of(read_trace(kCurrentFolder + row.at("file")).samples).clipped_at_mA) << row.at("file");
}

TEST(WrongRecording, VoltageLeadThatWasOffIsNoShort) {
  for (int round = 0; round < kRounds; ++round) {
    Random r(static_cast<std::uint64_t>(round));
    ModelBoard made = drawn(r);
    for (const bool regulator_dead : {false, true}) {
      made.fault.regulator_dead = regulator_dead;
      auto samples = made.samples(r);
      for (Sample& s : samples) s.volts = 0;
      const auto list = diagnosed(samples);
      EXPECT_EQ(list.front().fault, Fault::unsure) << told(list);
      EXPECT_THAT(list.front().evidence.front(), HasSubstr("voltage was not recorded"));
    }
  }
}

TEST(WrongRecording, HardShortAtHardlyAnyVoltageStaysAShort) {
  for (const double trip_ms : {0.0, 5.0}) {
    Random r(7);
    ModelBoard made;
    made.fault.short_5V_ohm = 0.05;
    made.bench.limit_mA = 100;
    made.bench.trip_ms = trip_ms;
    auto samples = made.samples(r);
    for (Sample& s : samples) s.volts = std::min(s.volts, 0.004);  // measured right at the short
    const auto list = diagnosed(samples, made.bench.limit_mA);
    EXPECT_EQ(list.front().fault, Fault::vbus_short) << told(list);
  }
}

TEST(WrongRecording, CurrentWithTheWrongSignIsSaid) {
  Random r(3);
  for (const double short_ohm : {1e9, 1.0}) {
    ModelBoard made;
    made.fault.short_5V_ohm = short_ohm;
    auto samples = made.samples(r);
    for (Sample& s : samples) s.mA = -s.mA;
    const auto list = diagnosed(samples);
    EXPECT_EQ(list.front().fault, Fault::unsure) << told(list);
    EXPECT_THAT(list.front().evidence.front(), HasSubstr("the wrong way round"));
    EXPECT_THAT(list.front().next_step, HasSubstr("change the sign"));
  }
}

TEST(WrongRecording, CurrentThatNeverChangesIsNotSurelyAnOpenPath) {
  Random r(3);
  auto samples = ModelBoard().samples(r);
  for (Sample& s : samples) s.mA = 0;
  const auto list = diagnosed(samples);
  EXPECT_LE(list.front().confidence, 0.6 + 1e-9) << told(list);
  EXPECT_THAT(told(list), HasSubstr("a channel that was not connected"));
}

// As a program of the bench supply would write it: no line that names the columns.
std::string bare_text(const std::vector<Sample>& samples, double scale) {
  std::string text;
  for (const Sample& s : samples) text += fmt::format("{:.4f},{:.6g},{:.3f}\n", s.time_s, s.mA * scale, s.volts);
  return text;
}

std::vector<Diagnosis> diagnosed_text(const std::string& text, std::optional<Rail> rail) {
  TraceParser parser;
  std::vector<Sample> samples;
  const TraceParser::Sink sink = [&](const Sample& s) { samples.push_back(s); };
  auto read = parser.feed(text, sink);
  if (read) read = parser.finish(sink);
  EXPECT_TRUE(read) << read.error().text();
  Settings settings;
  settings.rail = rail;
  return diagnose(features_of(samples, parser.header()), parser.header(), settings, nullptr, nullptr);
}

TEST(WithoutColumnLine, AmpereOrNothingAtAllIsUnsureAndToldHowToSayTheUnit) {
  for (const Row& row : labels()) {
    const auto rail = parse_rail(row.at("rail"));
    const auto samples = read_trace(kCurrentFolder + row.at("file")).samples;
    for (const double scale : {1e-3, 0.0}) {
      const auto list = diagnosed_text(bare_text(samples, scale), rail);
      EXPECT_EQ(list.front().fault, Fault::unsure) << row.at("file") << " times " << scale << "\n" << told(list);
      if (row.at("label") != "vbus_short" && row.at("label") != "socket_short") {  // hardly a moment with power in some
        EXPECT_THAT(list.front().next_step, HasSubstr("time_s,current_A,vbus_V")) << row.at("file") << "\n" << told(list);
      }
    }
    // The unit named, all is as in milliampere.
    const auto named = diagnosed_text("time_s,current_A,vbus_V\n" + bare_text(samples, 1e-3), rail);
    EXPECT_EQ(key_of(named.front().fault), row.at("label")) << row.at("file") << "\n" << told(named);
  }
}

TEST(WithoutColumnLine, MilliampereThatTheFileProvesKeepsEveryLabel) {
  for (const Row& row : labels()) {
    const auto list = diagnosed_text(bare_text(read_trace(kCurrentFolder + row.at("file")).samples, 1), parse_rail(row.at("rail")));
    EXPECT_EQ(key_of(list.front().fault), row.at("label")) << row.at("file") << "\n" << told(list);
  }
}

TEST(WrongRecording, MicroampereIsNoShort) {
  for (const Row& row : labels()) {
    const auto samples = read_trace(kCurrentFolder + row.at("file")).samples;
    const auto list = diagnosed_text(bare_text(samples, 1e3), parse_rail(row.at("rail")));
    EXPECT_EQ(list.front().fault, Fault::unsure) << row.at("file") << "\n" << told(list);
  }
}

TEST(WrongRecording, AmpereUnderAMilliampereNameIsNoSurelyEmptySocket) {
  for (const Row& row : labels()) {
    if (row.at("label") != "socket_ok") continue;
    auto samples = read_trace(kCurrentFolder + row.at("file")).samples;
    for (Sample& s : samples) s.mA /= 1000;
    Settings settings;
    settings.rail = parse_rail(row.at("rail"));
    const auto list = diagnose(features_of(samples), {}, settings, nullptr, nullptr);
    EXPECT_LE(list.front().confidence, 0.6 + 1e-9) << row.at("file") << "\n" << told(list);
    EXPECT_THAT(told(list), HasSubstr("in ampere")) << row.at("file");
  }
}

TEST(WrongRecording, CurrentInAmpereIsAsked) {
  Random r(3);
  auto samples = ModelBoard().samples(r);
  for (Sample& s : samples) s.mA /= 1000;
  const auto list = diagnosed(samples);
  EXPECT_LE(list.front().confidence, 0.6 + 1e-9) << told(list);
  EXPECT_THAT(told(list), HasSubstr("in ampere"));
}

TEST(WrongRecording, RailThatTheVoltageContradictsIsNoShort) {
  Random r(3);
  const Features f = features_of(ModelBoard().samples(r));
  for (const Rail rail : {Rail::socket3v3, Rail::socket1v8}) {
    Settings settings;
    settings.rail = rail;
    const auto list = diagnose(f, {}, settings, nullptr, nullptr);
    EXPECT_EQ(list.front().fault, Fault::unsure) << told(list);
    EXPECT_THAT(list.front().evidence.front(), HasSubstr("another rail"));
  }
}

TEST(WrongRecording, BurstOfAnotherPowerUpIsLeftOut) {
  Random r(3);
  ModelBoard sound, shorted;
  shorted.fault.short_5V_ohm = 1;
  ModelBoard fast = shorted;
  fast.bench.sample_s = 1e-5;
  fast.bench.end_s = 0.04;
  const Features trace = features_of(sound.samples(r)), burst = features_of(fast.samples(r));
  Settings settings;
  settings.rail = Rail::vbus;
  const auto list = diagnose(trace, {}, settings, &burst, nullptr);
  EXPECT_EQ(list.front().fault, Fault::healthy) << told(list);
  EXPECT_THAT(told(list), HasSubstr("burst does not show the same switch-on"));
}

TEST(Noise, ThatHidesPageReadsMakesNoSilentMemory) {
  for (const double noise_mA : {2.0, 5.0})
    for (int round = 0; round < kRounds; ++round) {
      Random r(static_cast<std::uint64_t>(round));
      ModelBoard made = drawn(r);
      made.bench.noise_mA = noise_mA;
      const auto list = diagnosed(made.samples(r));
      EXPECT_NE(list.front().fault, Fault::nand_no_answer) << noise_mA << "\n" << told(list);
    }
}

TEST(Sampling, TooSlowForTheSwitchOnMakesNoLargeCapacitor) {
  Random r(3);
  const auto fine = ModelBoard().samples(r);
  for (const std::size_t every : {100u, 1000u}) {  // 10 ms and 0.1 s
    std::vector<Sample> slow;
    for (std::size_t i = 0; i + every <= fine.size(); i += every) {
      Sample mean = fine[i];
      mean.mA = mean.volts = 0;
      for (std::size_t j = i; j < i + every; ++j)
        mean.mA += fine[j].mA / static_cast<double>(every), mean.volts += fine[j].volts / static_cast<double>(every);
      slow.push_back(mean);
    }
    const auto list = diagnosed(slow);
    EXPECT_LT(confidence_in(list, Fault::inrush_large), 0.1) << told(list);
  }
}

TEST(Converter, SoCoarseThatNoiseDoesNotReachAcrossAStepKnowsItsZeroToAStep) {
  Random r(3);
  ModelBoard made;
  made.fault.regulator_dead = true;
  made.bench.lsb_mA = 2;
  made.bench.noise_mA = 0.2;
  const auto samples = made.samples(r);
  EXPECT_GT(features_of(samples).baseline_mA.sigma, 2 / std::sqrt(12.0) - 1e-6);  // of a value anywhere within a step
  EXPECT_LT(confidence_in(diagnosed(samples), Fault::nand_no_answer), 0.5) << told(diagnosed(samples));
}

TEST(Hum, IsPartOfWhatTheZeroIsKnownTo) {
  Random r(3);
  auto samples = ModelBoard().samples(r);
  const double quiet = features_of(samples).baseline_mA.sigma;
  for (Sample& s : samples) s.mA += 1.5 * std::sin(2 * 3.14159265 * 50 * s.time_s);
  EXPECT_LT(quiet, 0.05);
  EXPECT_GT(features_of(samples).baseline_mA.sigma, 0.5);  // its effective value is 1.06
}

// 1.5 mA are a hundred times what a chip in standby draws: hum is named, and neither a chip nor its absence is sure because of it.
TEST(Hum, OnASocketIsNamedAndMakesNothingSure) {
  for (const Row& row : labels()) {
    const std::string& label = row.at("label");
    if (label != "socket_empty" && label != "socket_ok") continue;
    for (const double hertz : {50.0, 60.0})
      for (const double mA : {0.5, 1.5, 4.0})
        for (const double from_s : {0.0, 0.015}) {
          auto samples = only(read_trace(kCurrentFolder + row.at("file")).samples, [&](double t) { return t >= from_s; });
          for (Sample& s : samples) s.mA += mA * std::sin(2 * 3.14159265 * hertz * s.time_s + 1);
          Settings settings;
          settings.rail = parse_rail(row.at("rail"));
          const Features f = features_of(samples);
          EXPECT_NEAR(f.hum_mA, mA, 0.1 * mA) << row.at("file");
          EXPECT_EQ(f.hum_Hz, hertz) << row.at("file");
          const auto list = diagnose(f, {}, settings, nullptr, nullptr);
          EXPECT_THAT(told(list), HasSubstr(fmt::format("mA at {:.0f} Hz", hertz)));
          EXPECT_LT(confidence_in(list, label == "socket_ok" ? Fault::socket_empty : Fault::socket_ok), 0.5)
              << row.at("file") << " " << mA << " mA, " << hertz << " Hz\n" << told(list);
          EXPECT_LT(confidence_in(list, Fault::socket_empty), 0.6) << row.at("file") << "\n" << told(list);
        }
  }
}

// Half a period of hum before power looks like a current that begins: the switch-on is where the voltage rises or the current jumps.
TEST(Hum, BeforePowerIsNoSwitchOn) {
  for (const double mA : {2.0, 4.0})
    for (const double short_ohm : {1e9, 20.0})
      for (int round = 0; round < kRounds; ++round) {
        Random r(static_cast<std::uint64_t>(round));
        ModelBoard made;
        made.bench.t_on_s = 0.1;
        made.fault.short_3V3_ohm = short_ohm;
        auto samples = made.samples(r);
        for (Sample& s : samples) s.mA += mA * std::sin(2 * 3.14159265 * 50 * s.time_s);
        EXPECT_NEAR(features_of(samples).t_on_s.value_or(0), 0.1, 1e-3);
        const auto list = diagnosed(samples);
        EXPECT_EQ(list.front().fault, short_ohm < 1e6 ? Fault::rail_short : Fault::healthy) << mA << "\n" << told(list);
      }
  Random r(1);
  ModelBoard hard;  // whose voltage hardly rises at all
  hard.bench.t_on_s = 0.1;
  hard.bench.limit_mA = 100;
  hard.fault.short_5V_ohm = 0.05;
  auto samples = hard.samples(r);
  for (Sample& s : samples) s.mA += 2 * std::sin(2 * 3.14159265 * 50 * s.time_s), s.volts = std::min(s.volts, 0.04);
  EXPECT_NEAR(features_of(samples).t_on_s.value_or(0), 0.1, 1e-3);
  EXPECT_EQ(diagnosed(samples, 100).front().fault, Fault::vbus_short) << told(diagnosed(samples, 100));
}

TEST(Hum, IsSeenInNoTraceWithoutIt) {
  for (const Row& row : labels()) EXPECT_EQ(features_of(read_trace(kCurrentFolder + row.at("file")).samples).hum_mA, 0) << row.at("file");
}

// 80 mV at rest on the voltage channel bend a resistor's line; the short in the socket stays one.
TEST(Offset, OfTheVoltageChannelMakesNoJunctionOfAResistor) {
  for (const Row& row : labels()) {
    if (row.at("label") != "socket_short") continue;
    Trace trace = read_trace(kCurrentFolder + row.at("file"));
    for (Sample& s : trace.samples) s.volts += 0.08;
    Settings settings;
    settings.rail = parse_rail(row.at("rail"));
    const auto list = diagnose(features_of(trace.samples), {}, settings, nullptr, nullptr);
    EXPECT_EQ(list.front().fault, Fault::socket_short) << row.at("file") << "\n" << told(list);
  }
}

TEST(Contact, ThatClosesLateIsNoTrip) {
  Random r(3);
  ModelBoard made;
  made.fault.contact_open_s = {{0, 0.120}};
  const auto list = diagnosed(made.samples(r));
  EXPECT_EQ(list.front().fault, Fault::intermittent) << told(list);
}

TEST(Contact, DropIsCountedAlsoWhereRechargingPullsThePortDown) {
  Random r(3);
  ModelBoard made;
  made.bench.limit_mA = 150;
  made.fault.contact_open_s = {{0.250, 0.280}, {0.600, 0.630}};
  EXPECT_EQ(features_of(made.samples(r)).drop_count, 2u);
}

TEST(Recorder, ItsOwnSwitchingOffIsNoFault) {
  Random r(3);
  ModelBoard made;
  auto samples = made.samples(r);
  for (Sample& s : samples)
    if (s.time_s > 1.0) s.mA = s.volts = 0;
  TraceHeader header;
  header.events = {{0.02, "on"}, {1.0, "off"}};
  const auto list = diagnosed(samples, 500, header);
  EXPECT_EQ(list.front().fault, Fault::healthy) << told(list);
  EXPECT_EQ(confidence_in(list, Fault::limit_trip), 0) << told(list);
}

// Less is loaded than firmware usually is, but one page after another: a silent memory gives nothing to read.
TEST(ShortLoad, IsNoSilentMemory) {
  for (int round = 0; round < kRounds; ++round) {
    Random r(static_cast<std::uint64_t>(round));
    ModelBoard made;
    made.board.load_s = 12e-3;
    const auto list = diagnosed(made.samples(r));
    EXPECT_LT(confidence_in(list, Fault::nand_no_answer), 0.5) << told(list);
  }
}

}  // namespace
}  // namespace steadycell::supply::test
