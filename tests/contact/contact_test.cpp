#include "contact/contact.h"

#include <gtest/gtest.h>

#include <fstream>
#include <map>
#include <sstream>

namespace steadycell::contact {
namespace {

// tests/data/contact/README.md: made from simple diode models by a script; nothing was measured.
std::map<std::string, Readings> shared_cases() {
  std::map<std::string, Readings> cases;
  std::ifstream file(STEADYCELL_TEST_DATA "/contact/contact_cases.csv");
  std::string line;
  std::getline(file, line);
  while (std::getline(file, line)) {
    if (line.ends_with('\r')) line.pop_back();
    std::vector<std::string> cells;
    std::istringstream cell_stream(line + ",");
    for (std::string cell; std::getline(cell_stream, cell, ',');) cells.push_back(cell);
    Readings& readings = cases[cells.at(0)];
    Reading& reading = cells.at(1) == "RAIL" ? readings.rail : readings.position.at(std::stoul(cells[1]) - 1);
    if (cells.at(2).empty()) continue;  // a rail position is not measured by itself
    reading.plus_mV = static_cast<std::int16_t>(std::stod(cells[2]));
    reading.minus_mV = static_cast<std::int16_t>(std::stod(cells.at(3)));
    if (cells.size() > 4 && !cells[4].empty()) reading.bridged_with = static_cast<std::uint8_t>(std::stoul(cells[4]));
  }
  return cases;
}

TEST(Contact, NamesEverySharedCase) {
  const std::map<std::string, Seating> kExpected = {
      {"ok_1ce", Seating::seated},           {"ok_2ce", Seating::seated},          {"empty", Seating::empty},
      {"turned_180", Seating::turned},       {"turned_180_2ce", Seating::turned},  {"shift_down_1", Seating::shifted_down},
      {"shift_up_1", Seating::shifted_up},   {"one_open_pin_17", Seating::pin_open}, {"row_25_48_open", Seating::side_open},
      {"dead_supply_short", Seating::supply_short}, {"adjacent_short_41_42", Seating::bridged}};
  const auto cases = shared_cases();
  ASSERT_EQ(cases.size(), kExpected.size());
  for (const auto& [name, readings] : cases) {
    const Verdict verdict = judge(readings);
    EXPECT_EQ(name_of(verdict.seating), name_of(kExpected.at(name))) << name << ": " << verdict.text;
    EXPECT_EQ(verdict.may_power(), kExpected.at(name) == Seating::seated) << name;
  }
}

TEST(Contact, NamesThePinsAtFault) {
  const auto cases = shared_cases();
  EXPECT_EQ(judge(cases.at("one_open_pin_17")).pins, std::vector<std::uint8_t>{17});
  EXPECT_EQ(judge(cases.at("adjacent_short_41_42")).pins, (std::vector<std::uint8_t>{41, 42}));
  EXPECT_EQ(judge(cases.at("ok_1ce")).chip_enables, 1u);
  EXPECT_EQ(judge(cases.at("ok_2ce")).chip_enables, 2u);
}

TEST(Contact, AnyOneOpenSignalIsFoundAndNothingIsPowered) {
  const Readings good = shared_cases().at("ok_1ce");
  for (const unsigned n : {7u, 8u, 9u, 16u, 17u, 18u, 19u, 29u, 30u, 31u, 32u, 41u, 42u, 43u, 44u}) {
    Readings readings = good;
    readings.position[n - 1] = {};
    const Verdict verdict = judge(readings);
    EXPECT_EQ(verdict.seating, Seating::pin_open) << n << ": " << verdict.text;
    EXPECT_EQ(verdict.pins, std::vector<std::uint8_t>{static_cast<std::uint8_t>(n)});
  }
}

// A contact with 1 kOhm extra reads +100 mV at 100 uA (Ohm's law).
TEST(Contact, ADirtyContactIsNotedWithItsResistance) {
  Readings readings = shared_cases().at("ok_1ce");
  readings.position[29 - 1].plus_mV = static_cast<std::int16_t>(readings.position[29 - 1].plus_mV + 200);
  const Verdict verdict = judge(readings);
  EXPECT_EQ(verdict.seating, Seating::seated);
  EXPECT_EQ(verdict.pins, std::vector<std::uint8_t>{29});
  ASSERT_EQ(verdict.notes.size(), 1u);
  EXPECT_NE(verdict.notes[0].find("I/O0"), std::string::npos);
}

}  // namespace
}  // namespace steadycell::contact
