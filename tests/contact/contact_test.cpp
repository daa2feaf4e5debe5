#include "contact/contact.h"

#include <gtest/gtest.h>
#include <rapidcheck.h>

#include <fstream>
#include <iterator>
#include <map>

#include "contact/table.h"

namespace steadycell::contact {
namespace {

// tests/data/contact/contact_cases.csv: eleven simulated cases; the name tells the answer.
std::map<std::string, Readings> cases() {
  std::ifstream file(std::string(STEADYCELL_TEST_DATA) + "/contact/contact_cases.csv");
  const std::string csv{std::istreambuf_iterator<char>(file), {}};
  std::map<std::string, Readings> out;
  const auto table = parse_table(csv);
  for (const Case& one : table.value()) out[one.name] = one.readings;
  return out;
}

Readings seated() { return cases().at("ok_1ce"); }
using Pins = std::vector<unsigned>;

TEST(Contact, EveryKnownCaseGetsItsVerdictAndItsPins) {
  struct Expected {
    const char* name;
    Seating seating;
    Pins pins;
  };
  const Expected expected[] = {
      {"ok_1ce", Seating::seated, {}},
      {"ok_2ce", Seating::seated, {}},
      {"empty", Seating::empty, {}},
      {"turned_180", Seating::turned, {5, 6, 20, 33, 40}},
      {"turned_180_2ce", Seating::turned, {5, 6, 20, 33, 34, 40}},
      {"shift_down_1", Seating::shifted_down, {10, 14, 20, 28, 35, 40}},
      {"shift_up_1", Seating::shifted_up, {6, 11, 15, 33, 38, 45}},
      {"one_open_pin_17", Seating::open_pins, {17}},
      {"row_25_48_open", Seating::open_row, {29, 30, 31, 32, 41, 42, 43, 44}},
      {"adjacent_short_41_42", Seating::bridged, {41, 42}},
      {"dead_supply_short", Seating::supply_short, {12, 13, 36, 37}},
  };
  const auto readings = cases();
  ASSERT_EQ(readings.size(), std::size(expected));
  for (const Expected& e : expected) {
    SCOPED_TRACE(e.name);
    const Verdict v = judge(readings.at(e.name));
    EXPECT_EQ(to_text(v.seating), to_text(e.seating)) << v.sentence;
    EXPECT_EQ(v.pins, e.pins);
    EXPECT_FALSE(v.sentence.empty());
  }
}

TEST(Contact, CountsChipEnables) {
  EXPECT_EQ(judge(cases().at("ok_1ce")).map.chip_enables, 1u);
  EXPECT_EQ(judge(cases().at("ok_2ce")).map.chip_enables, 2u);
}

TEST(Contact, OnlyASeatedChipOrAnEmptySocketGetsPower) {
  for (const auto& [name, readings] : cases())
    EXPECT_EQ(judge(readings).may_power(), name == "ok_1ce" || name == "ok_2ce" || name == "empty") << name;
}

TEST(Contact, EveryOpenSignalIsNamed) {
  for (const unsigned pin : {7u, 8u, 9u, 16u, 17u, 18u, 19u, 29u, 30u, 31u, 32u, 41u, 42u, 43u, 44u}) {
    Readings readings = seated();
    readings.positions[pin - 1] = Reading{};
    const Verdict v = judge(readings);
    EXPECT_EQ(v.seating, Seating::open_pins);
    EXPECT_EQ(v.pins, Pins{pin});
    EXPECT_NE(v.sentence.find(describe_position(pin)), std::string::npos) << v.sentence;
  }
}

TEST(Contact, LeftSideOpenIsASideToo) {
  Readings readings = seated();
  for (unsigned p = 1; p <= 24; ++p) readings.positions[p - 1] = Reading{};
  const Verdict v = judge(readings);
  EXPECT_EQ(v.seating, Seating::open_row);
  EXPECT_NE(v.sentence.find("1 to 24"), std::string::npos);
}

TEST(Contact, SupplyThatDoesNotTouchIsNoSeatedChip) {
  Readings readings = seated();
  readings.rail = Reading{};
  EXPECT_FALSE(judge(readings).may_power()) << "signals both ways without a rail junction fit no place of a chip";
}

// No junction carries 100 uA at next to nothing: a rail that reads so one way only has a short that comes and goes.
TEST(Contact, SupplyShortedOneWayIsNoSeatedChip) {
  for (const Reading rail : {Reading{0, -480, 0}, Reading{120, -480, 0}, Reading{1500, -5, 0}, Reading{480, -5, 0}}) {
    Readings readings = seated();
    readings.rail = rail;
    const Verdict v = judge(readings);
    EXPECT_EQ(v.seating, Seating::supply_short) << rail.plus_mV << " " << rail.minus_mV;
    ASSERT_FALSE(v.notes.empty());
    EXPECT_NE(v.notes[0].find("comes and goes"), std::string::npos) << v.notes[0];
  }
}

TEST(Contact, LeakIsToldWithItsMillivolts) {
  Readings readings = seated();
  readings.positions[30 - 1] = {260, -255, 0};
  const Verdict v = judge(readings);
  EXPECT_EQ(v.seating, Seating::seated);
  ASSERT_EQ(v.notes.size(), 1u);
  EXPECT_EQ(v.notes[0].find("more than"), std::string::npos) << v.notes[0];
}

// 5.2 kohm read 520 mV both ways at 100 uA (Ohm's law): beside a chip a note, turned or not; without one no chip the wrong way round.
TEST(Contact, LeakBetweenTheSuppliesTurnsNoChip) {
  const auto leaking = [](Readings r) {
    r.rail.plus_mV = std::min<std::int16_t>(r.rail.plus_mV, 520);
    r.rail.minus_mV = std::max<std::int16_t>(r.rail.minus_mV, -520);
    return r;
  };
  const auto all = cases();
  for (const char* name : {"ok_1ce", "ok_2ce", "turned_180", "turned_180_2ce"})
    EXPECT_EQ(judge(leaking(all.at(name))).seating, judge(all.at(name)).seating) << name;
  for (const char* name : {"shift_down_1", "shift_up_1", "row_25_48_open", "one_open_pin_17"})
    EXPECT_FALSE(judge(leaking(all.at(name))).may_power()) << name;
  const Verdict none = judge(leaking(all.at("empty")));
  EXPECT_EQ(none.seating, Seating::unsure);
  EXPECT_NE(none.sentence.find("conduct both ways, some 5 kohm"), std::string::npos) << none.sentence;
}

TEST(Contact, OneMissingDiodeIsAFaultAllMissingAreThePart) {
  Readings one = seated();
  one.positions[30 - 1].plus_mV = 1500;
  EXPECT_EQ(judge(one).seating, Seating::open_pins);
  EXPECT_EQ(judge(one).pins, Pins{30});
  Readings all = seated();
  for (unsigned p = 1; p <= kPositions; ++p)
    if (!is_supply(p)) all.positions[p - 1].plus_mV = 1500;
  const Verdict v = judge(all);
  EXPECT_EQ(v.seating, Seating::seated) << v.sentence;
  ASSERT_EQ(v.notes.size(), 1u);
  EXPECT_NE(v.notes[0].find("how this part is made"), std::string::npos);
}

// 1 kohm in series adds 100 mV at 100 uA (Ohm's law).
TEST(Contact, SeriesResistanceIsANoteWithItsOhms) {
  Readings readings = seated();
  Reading& dirty = readings.positions[43 - 1];
  dirty.plus_mV = static_cast<std::int16_t>(dirty.plus_mV + 100);
  dirty.minus_mV = static_cast<std::int16_t>(dirty.minus_mV - 100);
  const Verdict v = judge(readings);
  EXPECT_EQ(v.seating, Seating::seated);
  ASSERT_EQ(v.notes.size(), 1u);
  EXPECT_NE(v.notes[0].find("pin 43 (I/O6)"), std::string::npos) << v.notes[0];
}

TEST(Contact, WiderPartIsSeenByItsUpperLanes) {
  Readings readings = seated();
  for (const unsigned pin : {26u, 27u, 28u, 33u, 40u, 45u, 46u, 47u}) readings.positions[pin - 1] = {520, -450, 0};
  const Verdict v = judge(readings);
  EXPECT_EQ(v.seating, Seating::seated);
  EXPECT_EQ(v.map.bus_bits, 16u);
  ASSERT_EQ(v.notes.size(), 1u);
  EXPECT_NE(v.notes[0].find("which order"), std::string::npos) << v.notes[0];
}

TEST(Contact, AnyReadingsGiveAVerdict) {
  EXPECT_TRUE(rc::check("random readings", [] {
    Readings readings;
    const auto level = rc::gen::element<std::int16_t>(-1500, -600, -450, -40, 0, 40, 450, 600, 1500);
    for (Reading& r : readings.positions) r = {*level, *level, 0};
    readings.rail = {*level, *level, 0};
    const Verdict v = judge(readings);
    RC_ASSERT(!v.sentence.empty());
    RC_ASSERT(std::is_sorted(v.pins.begin(), v.pins.end()));
    // Power needs a supply junction the right way round.
    if (v.seating == Seating::seated) RC_ASSERT(readings.rail.minus_mV < 0 || readings.rail.plus_mV > 0);
  }));
}

TEST(SocketMap, NamesPositionsAndPlacesLanes) {  // ONFI pin assignment, from memory
  const SocketMap& map = *find_built_in("tsop48-x8");
  EXPECT_EQ(map.name_of(9), "CE#");
  EXPECT_EQ(map.name_of(19), "WP#");
  EXPECT_EQ(map.name_of(12), "VCC");
  EXPECT_EQ(map.name_of(1), "NC");
  EXPECT_EQ(describe_position(43), "pin 43 (I/O6)");
  EXPECT_EQ(position_of_lane(0), 29u);
  EXPECT_EQ(position_of_lane(15), 47u);
  EXPECT_EQ(position_of_lane(16), std::nullopt);
}

}  // namespace
}  // namespace steadycell::contact
