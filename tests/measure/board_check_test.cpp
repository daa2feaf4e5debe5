#include "measure/board_check.h"

#include <gtest/gtest.h>

#include <cmath>

namespace steadycell::measure {
namespace {

// i = V / R + C dV/dt on a ramp that ends in a plateau: Ohm's law and the definition of capacitance, nothing else.
std::vector<LoadSample> ramp(double ohm, double microfarad, double ramp_s, double noise_mA = 0, double offset_mA = 0) {
  std::vector<LoadSample> out;
  for (int i = 0; i < 1500; ++i) {
    const double t = i * 1e-4, since = t - 0.02;
    LoadSample s{.seconds = t, .mA = 0, .volts = 0};
    if (since >= 0) {
      s.volts = std::min(5.0, 5.0 * since / ramp_s);
      s.mA = s.volts / ohm * 1e3 + (since < ramp_s ? microfarad * 1e-6 * 5.0 / ramp_s * 1e3 : 0);
    }
    s.mA += offset_mA + noise_mA * (i % 2 == 0 ? 1 : -1);
    out.push_back(s);
  }
  return out;
}

TEST(KnownLoad, ResistanceAndCapacitanceComeOutOfOneRamp) {
  for (const double ohm : {60.0, 100.0, 470.0, 10000.0})
    for (const double microfarad : {0.0, 1.0, 10.0, 100.0}) {
      const auto load = measure_load(ramp(ohm, microfarad, 0.02), 5);
      ASSERT_TRUE(load);
      EXPECT_NEAR(load->ohm, ohm, 0.001 * ohm);
      EXPECT_NEAR(load->microfarad, microfarad, 0.01 * microfarad + 0.01);
      EXPECT_NEAR(load->volts, 5, 0.001);
    }
}

TEST(KnownLoad, NoiseOfTheMeterAveragesOut) {
  const auto load = measure_load(ramp(100, 10, 0.02, 0.35), 5);
  ASSERT_TRUE(load);
  EXPECT_NEAR(load->ohm, 100, 1);
  EXPECT_NEAR(load->microfarad, 10, 0.5);
}

// An offset of the current meter of 1 mA to either side is usual; at 10 kohm it is twice the current that flows.
TEST(KnownLoad, OffsetOfTheMeterDoesNotCount) {
  for (const double offset_mA : {-1.0, 1.0})
    for (const double ohm : {60.0, 470.0, 10000.0}) {
      const auto load = measure_load(ramp(ohm, 10, 0.02, 0, offset_mA), 5);
      ASSERT_TRUE(load);
      EXPECT_NEAR(load->ohm, ohm, 0.001 * ohm);
      EXPECT_NEAR(load->microfarad, 10, 0.1);
    }
}

TEST(KnownLoad, PortThatNeverStandsIsNotMeasured) {
  EXPECT_FALSE(measure_load({}, 5));
  std::vector<LoadSample> low = ramp(100, 10, 0.02);
  for (LoadSample& s : low) s.volts *= 0.4;
  EXPECT_FALSE(measure_load(low, 5));
  std::vector<LoadSample> brief = ramp(100, 10, 0.02);
  brief.resize(430);  // 3 ms of the plateau
  EXPECT_FALSE(measure_load(brief, 5));
  std::vector<LoadSample> open = ramp(100, 10, 0.02);
  for (LoadSample& s : open) s.mA = 0;
  EXPECT_FALSE(measure_load(open, 5));
}

}  // namespace
}  // namespace steadycell::measure
