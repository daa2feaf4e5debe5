// Closed forms of textbook circuits: R and C in series on a step, a capacitor on a ramp, a regulator with
// foldback, a junction against a resistor. The numbers are arithmetic and stand beside each check.
#include <gtest/gtest.h>

#include <cmath>

#include "supply/board_model.h"

namespace steadycell::supply::test {
namespace {

// Mean current of C through R over each interval from the step at t = 1 ms on; exact, no noise.
std::vector<Sample> rc_step(double V, double R, double C, double dt, double end, bool points) {
  const double tau = R * C;
  std::vector<Sample> out;
  const auto charge = [&](double t) { return t <= 0 ? 0 : C * V * (1 - std::exp(-t / tau)); };
  const auto steps = std::llround(end / dt), on = std::llround(1e-3 / dt);
  for (long long k = 0; k < steps; ++k) {
    const double since = static_cast<double>(k - on) * dt;
    Sample s;
    s.time_s = static_cast<double>(k) * dt;
    s.mA = 1e3 * (points ? (since >= -1e-12 ? V / R * std::exp(-since / tau) : 0)
                         : (charge(since + dt) - charge(since)) / dt);
    s.volts = since >= -1e-12 ? V : 0;
    out.push_back(s);
  }
  return out;
}

TraceHeader on_at_1ms(const char* kind) {
  TraceHeader header;
  header.kind = kind;
  header.t_on_s = 1e-3;
  return header;
}

// Q = C V whatever R is; region charge C V (1 - I0 R / V), excess Qr - I0 R C ln(V / (R I0)) with I0 = 100 mA.
TEST(ClosedForms, InrushOfACapacitorThroughAResistor) {
  const struct {
    double V, R, uF, region_uC, excess_uC;
  } rows[] = {
      {5.00, 0.50, 10, 49.500, 47.197},
      {5.00, 0.50, 100, 495.00, 471.97},
      {5.05, 0.35, 10, 50.150, 48.410},
      {5.00, 1.00, 14.7, 72.030, 66.279},
  };
  for (const auto& row : rows) {
    const Features f =
        features_of(rc_step(row.V, row.R, row.uF * 1e-6, 1e-6, 12e-3, false), on_at_1ms("averaged"));
    EXPECT_NEAR(f.switch_on_uC.value, row.uF * row.V, 0.03 * row.uF * row.V);
    EXPECT_NEAR(f.region_uC, row.region_uC, 0.03 * row.region_uC);
    EXPECT_NEAR(f.region_excess_uC, row.excess_uC, 0.03 * row.excess_uC);
    EXPECT_NEAR(f.input_uF.value, row.uF, 0.03 * row.uF);
    ASSERT_TRUE(f.time_constant_us);
    EXPECT_NEAR(f.time_constant_us->value, row.R * row.uF, 0.03 * row.R * row.uF);
  }
}

// An averaging sampler keeps the charge at any rate: 50 uC in one bin of 100 us.
TEST(ClosedForms, MeansKeepTheChargeAtAnyRate) {
  for (const double dt : {1e-6, 10e-6, 50e-6, 100e-6, 250e-6}) {
    const Features f = features_of(rc_step(5, 0.5, 10e-6, dt, 20e-3, false), on_at_1ms("averaged"));
    EXPECT_NEAR(f.switch_on_uC.value, 50, 0.5) << dt;
  }
}

// Points: trapezoids give (a/2) coth(a/2) times the charge, a = dt / tau.
TEST(ClosedForms, PointsFollowTheTrapezoidRule) {
  const double tau = 50e-6;
  for (const auto& [a, factor] :
       {std::pair{0.1, 1.0008}, {0.25, 1.0052}, {0.5, 1.0208}, {1.0, 1.0820}, {2.0, 1.3130}}) {
    const Features f = features_of(rc_step(5, 0.5, 100e-6, a * tau, 20e-3, true), on_at_1ms("point"));
    EXPECT_NEAR(f.switch_on_uC.value / 500, factor, 0.002) << a;
  }
}

Features quiet_run(Board board, Bench bench, FaultCircuit fault, std::vector<Block> load) {
  Random random(1);
  bench.noise_mA = 1e-3;
  bench.lsb_mA = 0;
  bench.end_s = 0.3;
  return features_of(simulate(board, bench, fault, std::move(load), random));
}

// I = C dV/dt: 10 uF over 5 V in 1 ms takes 50 mA. Behind a regulator the output adds Vout C, not Vin C.
TEST(ClosedForms, RampTellsInputFromOutputCapacitor) {
  for (const double uF : {1.0, 4.7, 10.0, 22.0}) {
    Board board;
    board.bulk_uF = uF;
    board.out_uF = 4.7;
    FaultCircuit fixture;
    const Features f = quiet_run(board, {}, fixture, {});
    const double input = uF + 0.1 + fixture.fixture_uF;  // bypass and fixture beside it
    EXPECT_NEAR(f.input_uF.value, input, 0.03 * input + 0.02) << uF;
    EXPECT_NEAR(f.switch_on_uC.value, input * 5.05 + 4.7 * 3.3, 0.03 * f.switch_on_uC.value) << uF;
    EXPECT_NEAR(f.behind_uC.value, 4.7 * 3.3, 0.06 * 4.7 * 3.3) << uF;
    EXPECT_NEAR(f.ramp_s, 1e-3, 2e-5);
  }
}

// A limiter charges a capacitor in t = C V / I: 100 uF at 500 mA take 1.00 ms when power comes as a step.
TEST(ClosedForms, LimiterChargesInProportionToCapacitance) {
  Board board;
  board.bulk_uF = 100;
  Bench bench;
  bench.ramp_ms = 0.01;
  const Features f = quiet_run(board, bench, {}, {});
  EXPECT_NEAR(f.ramp_s * 1e3, 1.01, 0.05);
  EXPECT_NEAR(f.equivalent_uF, 100.2 + 4.7 * 3.3 / 5.05, 4);
}

// Foldback: I = Ifb / (1 - (Imax - Ifb) R / Vnom); 350/100 mA into 8.2 ohm settle at 264 mA and 2.16 V.
TEST(ClosedForms, FoldbackRegulatorSettlesWhereItsLineMeetsTheShort) {
  Board board;
  board.regulator_max_mA = 350;
  board.regulator_fold_mA = 100;
  board.quiescent_mA = 0.055;
  FaultCircuit fault;
  fault.short_3V3_ohm = 8.2;
  const Features f = quiet_run(board, {}, fault, {{0.023, 0.3, 5}});
  const double expected = 100 / (1 - 0.25 * 8.2 / 3.3);
  EXPECT_NEAR(expected, 264, 0.5);
  EXPECT_NEAR(f.steady_mA.value, expected,
              0.01 * expected + 1.5);  // 0.6 % gain, quiescent and gated load beside it
}

// A regulated rail adds Vout / R: 22 ohm at 3.3 V are 150.0 mA.
TEST(ClosedForms, ResistorBehindARegulatorAddsItsOwnCurrent) {
  Board board;
  FaultCircuit fault;
  fault.short_3V3_ohm = 22;
  const Features f = quiet_run(board, {}, fault, {});
  EXPECT_NEAR(f.steady_mA.value, 150.07, 3);
}

// On the ramp up to a limit of 100 mA, voltage at 10 % over voltage at 85 %: a resistor 0.118; one junction
// (59.5 mV a decade and some series resistance) far above; clamps behind resistance between.
TEST(ClosedForms, RampShapeTellsJunctionFromResistor) {
  const auto ramp = [](auto current_of_volts) {
    std::vector<Sample> out;
    bool limited = false;
    double held = 0;
    for (int k = 0; k < 2000; ++k) {
      Sample s;
      s.time_s = k * 4e-6;
      const double volts = std::max(0.0, (s.time_s - 1e-3) / 1e-3 * 3.3);
      const double mA = current_of_volts(volts);
      limited |= mA >= 100;
      if (!limited) held = volts;
      s.mA = limited ? 100 : mA;
      s.volts = limited ? held : volts;
      out.push_back(s);
    }
    return features_of(out).ramp_shape;
  };
  const auto resistor = ramp([](double v) { return v / 12 * 1e3; });
  const auto junction = ramp([](double v) { return 2e-9 * (std::exp(v / (1.25 * 0.02585)) - 1); });
  const auto clamps = ramp([](double v) { return std::max(0.0, v - 0.65) / 15 * 1e3; });
  EXPECT_NEAR(resistor.ratio(), 0.118, 0.01);
  EXPECT_GT(junction.ratio(), 0.8);
  EXPECT_NEAR(clamps.ratio(), (0.65 + 0.15) / (0.65 + 1.275), 0.02);
  EXPECT_TRUE(resistor.resolved && junction.resolved && clamps.resolved);
}

// Supply and shunt up to the point where the voltage is measured.
TEST(ClosedForms, SourceResistanceIsTheSlopeOfVoltageOverCurrent) {
  const Features f = quiet_run({}, {}, {}, {{0.05, 0.3, 40}, {0.1, 0.3, 30}, {0.2, 0.3, 30}});
  EXPECT_NEAR(f.source_ohm.value, 0.25, 0.01);
}

// Shunt 0.1 ohm, gain 50, 12 bits of 3.3 V: 0.16113 mA a step, 0.0465 mA rms of noise.
TEST(ClosedForms, NoiseIsMeasuredFromFirstDifferences) {
  Random random(5);
  Bench bench;
  bench.end_s = 0.4;
  bench.t_on_s = 0.3;
  const Features f = features_of(simulate({}, bench, {}, {}, random));
  EXPECT_NEAR(f.noise_mA, std::hypot(0.32, 0.0465), 0.06);
  EXPECT_NEAR(f.baseline_mA.sigma, f.noise_mA / std::sqrt(3000), 1e-3);
}

TEST(ClosedForms, SaturatedSamplesAndGapsMakeAChargeALowerBound) {
  TraceHeader header = on_at_1ms("averaged");
  header.full_scale_mA = 600;
  auto samples = rc_step(5, 0.5, 10e-6, 1e-6, 12e-3, false);
  for (Sample& s : samples) s.mA = std::min(s.mA, 600.0);
  const Features clipped = features_of(samples, header);
  EXPECT_TRUE(clipped.saturated);
  EXPECT_TRUE(clipped.switch_on_uC.at_least);
  auto holed = rc_step(5, 0.5, 10e-6, 1e-6, 12e-3, false);
  holed.erase(holed.begin() + 1003, holed.begin() + 1010);
  const Features gap = features_of(holed, on_at_1ms("averaged"));
  EXPECT_EQ(gap.gaps, 1u);
  EXPECT_NEAR(gap.gap_s, 7e-6, 1e-6);
  EXPECT_TRUE(gap.switch_on_uC.at_least);
}

}  // namespace
}  // namespace steadycell::supply::test
