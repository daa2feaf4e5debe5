// What a small current says before power. Sources: Ohm's law; Shockley's 59.5 mV a decade at 25 degrees C (textbook); the
// borders between hard short, soft short and healthy are common practice, no source.
#include "supply/cold.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "supply/cold_readings.h"

namespace steadycell::supply {
namespace {

using namespace test;

using ::testing::Contains;
using ::testing::HasSubstr;


TEST(ColdCheck, HealthyStickIsCleanAndMayHaveFullPower) {
  const ColdCheck check = judge_cold(stick(250e3));
  EXPECT_EQ(check.verdict, ColdVerdict::clean);
  EXPECT_EQ(check.limit_mA(), 500u);
  EXPECT_NEAR(check.ohm, 250e3, 1e3);
  ASSERT_TRUE(check.microfarads);
  EXPECT_NEAR(*check.microfarads, 10, 0.4);  // C = I t / V
  EXPECT_THAT(check.findings, Contains(HasSubstr("at 0.200 V"))) << "the test voltage stands beside the ohms";
}

TEST(ColdCheck, ResistorsReadAsOhmsLawSaysBothWays) {
  for (const double ohm : {0.2, 0.5, 2.2, 4.0, 8.2, 22.0, 47.0, 100.0, 330.0, 1000.0, 10e3}) {
    ColdReadings r = stick(ohm);
    EXPECT_NEAR(judge_cold(r).ohm, ohm + 0.4, 0.01 * ohm + 0.01) << ohm;
    std::swap(r.forward.volts, r.backward.volts);
    EXPECT_NEAR(judge_cold(r).ohm, ohm + 0.4, 0.01 * ohm + 0.01) << ohm;
  }
}

TEST(ColdCheck, ShortIsAShortAndABorderlineOneIsDoubtful) {
  EXPECT_EQ(judge_cold(stick(0.5)).verdict, ColdVerdict::shorted);
  EXPECT_THAT(judge_cold(stick(0.5)).findings.front(), HasSubstr("hard short"));
  EXPECT_EQ(judge_cold(stick(22)).verdict, ColdVerdict::shorted);
  EXPECT_THAT(judge_cold(stick(22)).findings.front(), HasSubstr("soft short"));
  const ColdCheck doubtful = judge_cold(stick(120));
  EXPECT_EQ(doubtful.verdict, ColdVerdict::doubtful);
  EXPECT_EQ(doubtful.limit_mA(), 100u);
}

// A path in one direction only: the lower of both ways counts, at a voltage at which no junction conducts.
TEST(ColdCheck, ShortInOneDirectionOnlyIsSeen) {
  ColdReadings r = stick(250e3);
  r.backward = into(3, 0, -1e-3, 0.2);
  EXPECT_EQ(judge_cold(r).verdict, ColdVerdict::shorted);
}

TEST(ColdCheck, NothingThatChargesNorConductsIsAnOpenPath) {
  ColdReadings r = stick(250e3);
  r.forward = into(1e9, 0, 1e-3, 0.2);
  r.backward = into(1e9, 0, -1e-3, 0.2);
  r.charge = into(1e9, 0, 1e-4, 0.2);
  r.junction = open(-1e-4);
  EXPECT_EQ(judge_cold(r).verdict, ColdVerdict::open_path);
  EXPECT_EQ(judge_cold(r).limit_mA(), 100u);
  r.junction = junction(0.6, -1e-4);  // something is there after all, without a capacitor
  EXPECT_EQ(judge_cold(r).verdict, ColdVerdict::clean);
}

TEST(ColdCheck, DataLinesAreNamed) {
  ColdReadings r = stick(250e3);
  r.data_forward[1] = junction(0.0, 1e-4);
  r.data_backward[1] = junction(0.0, -1e-4);
  EXPECT_EQ(judge_cold(r).verdict, ColdVerdict::doubtful);
  EXPECT_THAT(judge_cold(r).findings, Contains(HasSubstr("D- reads 0 mV")));
  r = stick(250e3);
  r.data_forward[0] = open(1e-4);
  r.data_backward[0] = open(-1e-4);
  EXPECT_THAT(judge_cold(r).findings, Contains(HasSubstr("D+ is open both ways")));
  r = stick(250e3);  // over-voltage tolerant pads have no upper diode: a property when both lack it
  r.data_forward[0] = r.data_forward[1] = open(1e-4);
  for (const std::string& finding : judge_cold(r).findings) EXPECT_THAT(finding, ::testing::Not(HasSubstr("D")));
  r.data_forward[1] = junction(0.65, 1e-4);
  EXPECT_THAT(judge_cold(r).findings, Contains(HasSubstr("D+ lacks the upper junction")));
}

TEST(ColdCheck, TwinTellsALeakAndAMissingCapacitor) {
  const ColdReadings twin = stick(250e3, 10);
  EXPECT_EQ(judge_cold(stick(20e3, 10), &twin).verdict, ColdVerdict::doubtful);
  const ColdCheck missing = judge_cold(stick(250e3, 0.9), &twin);
  EXPECT_EQ(missing.verdict, ColdVerdict::clean);
  EXPECT_THAT(missing.findings, Contains(HasSubstr("a capacitor is missing")));
  EXPECT_EQ(judge_cold(stick(240e3, 9), &twin).verdict, ColdVerdict::clean);
}

TEST(ColdCheck, ReadingsComeBackFromTheirJson) {
  const ColdReadings r = stick(123, 4.7);
  const auto again = cold_readings_of(to_json(r));
  ASSERT_TRUE(again) << again.error().text();
  EXPECT_EQ(json::text_of(to_json(*again)), json::text_of(to_json(r)));
  json::Object cut = to_json(r);
  cut.erase("supply_charge");
  EXPECT_FALSE(cold_readings_of(cut));
}

}  // namespace
}  // namespace steadycell::supply
