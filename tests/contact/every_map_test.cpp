#include <gmock/gmock.h>

#include "contact/contact.h"
#include "contact/picture.h"
#include "diode_chip.h"

// Every fault of every TSOP48 map, on a chip of diodes made apart from the code (diode_chip.h).
namespace steadycell::contact {
namespace {

using ::testing::Contains;
using ::testing::Each;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using Pins = std::vector<unsigned>;

std::vector<const SocketMap*> tsop48() {
  std::vector<const SocketMap*> out;
  for (const SocketMap& map : built_in_maps())
    if (!map.adapter) out.push_back(&map);
  return out;
}

TEST(EveryMap, IsThereWithItsSource) {
  EXPECT_EQ(tsop48().size(), 9u);
  for (const SocketMap& map : built_in_maps()) {
    EXPECT_FALSE(map.source.empty()) << map.name;
    EXPECT_EQ(map.bus_bits == 16, map.signals[46] && map.signals[47]) << map.name;
    EXPECT_EQ(find_built_in(map.name), &map);
  }
}

TEST(EveryMap, GoodChipIsSeatedWhetherItsMapIsNamedOrNot) {
  for (const SocketMap* map : tsop48()) {
    SCOPED_TRACE(map->name);
    const Readings readings = DiodeChip{.map = map}.measure();
    const Verdict named = judge(readings, map), found = judge(readings);
    EXPECT_EQ(named.seating, Seating::seated) << named.sentence;
    EXPECT_THAT(named.notes, IsEmpty());
    EXPECT_EQ(found.seating, Seating::seated) << found.sentence;
    EXPECT_EQ(found.map.signals, map->signals);
    EXPECT_EQ(found.map.chip_enables, map->chip_enables);
    EXPECT_EQ(found.map.bus_bits, map->bus_bits);
  }
}

TEST(EveryMap, EveryOpenPinIsNamed) {
  for (const SocketMap* map : tsop48())
    for (unsigned pin = 1; pin <= kPositions; ++pin) {
      if (!map->signals[pin] && !is_supply(pin)) continue;
      SCOPED_TRACE(map->name + " " + map->describe(pin));
      DiodeChip chip{.map = map};
      chip.open.set(pin);
      const Verdict v = judge(chip.measure(), map);
      EXPECT_EQ(v.seating, Seating::open_pins) << v.sentence;
      EXPECT_THAT(v.pins, ElementsAre(pin));
      EXPECT_THAT(v.sentence, HasSubstr(map->describe(pin)));
      EXPECT_EQ(v.contacts[pin], Contact::open);
      EXPECT_FALSE(v.may_power());
    }
}

// Without a named map some parts with one pin open are just what another part looks like: it is said, not hidden.
TEST(EveryMap, OpenPinOfAnUnnamedPartIsFoundOrTheDoubtIsNoted) {
  for (const SocketMap* map : tsop48())
    for (unsigned pin = 1; pin <= kPositions; ++pin) {
      if (!map->signals[pin] && !is_supply(pin)) continue;
      SCOPED_TRACE(map->name + " " + map->describe(pin));
      DiodeChip chip{.map = map};
      chip.open.set(pin);
      const Verdict v = judge(chip.measure());
      if (v.seating == Seating::seated) {
        const PositionSet lost = map->signals & ~v.map.signals;
        EXPECT_EQ(lost.count(), 1u);
        EXPECT_TRUE(lost[pin]);
        if (v.map.name != "tsop48-x8") {
          EXPECT_THAT(v.notes, Contains(HasSubstr(map->describe(pin))));
        }
      } else {
        EXPECT_EQ(v.seating, Seating::open_pins) << v.sentence;
        EXPECT_THAT(v.pins, ElementsAre(pin));
      }
    }
}

TEST(EveryMap, EveryBridgeBetweenNeighboursIsNamedAndForbidsPower) {
  for (const SocketMap* map : tsop48())
    for (unsigned pin = 1; pin < kPositions; ++pin) {
      if (pin == kLastOfSide) continue;  // at package ends, on opposite sides
      SCOPED_TRACE(map->name + fmt::format(" {}-{}", pin, pin + 1));
      Readings readings = DiodeChip{.map = map}.measure();
      bridge(readings, pin, pin + 1);
      for (const SocketMap* named : {map, static_cast<const SocketMap*>(nullptr)}) {
        const Verdict v = judge(readings, named);
        EXPECT_EQ(v.seating, pin == 12 || pin == 36 ? Seating::supply_short : Seating::bridged) << v.sentence;
        EXPECT_THAT(v.pins, ElementsAre(pin, pin + 1));
        EXPECT_FALSE(v.may_power());
      }
    }
}

TEST(EveryMap, TurnedAndShiftedChipsAreNamedBeforePower) {
  const struct {
    bool turned;
    int shift;
    Seating seating;
  } places[] = {{true, 0, Seating::turned},
                {true, 1, Seating::turned},
                {true, -1, Seating::turned},
                {false, 1, Seating::shifted_down},
                {false, -1, Seating::shifted_up}};
  for (const SocketMap* map : tsop48())
    for (const auto& place : places)
      for (const SocketMap* named : {map, static_cast<const SocketMap*>(nullptr)}) {
        SCOPED_TRACE(fmt::format("{} turned {} shift {}", map->name, place.turned, place.shift));
        const Verdict v = judge(DiodeChip{.map = map, .turned = place.turned, .shift = place.shift}.measure(), named);
        EXPECT_EQ(to_text(v.seating), to_text(place.seating)) << v.sentence;
        EXPECT_FALSE(v.may_power());
      }
}

// No junction reaches a rail then, so diodes alone take it for an empty socket: the tie between its supply pins tells.
TEST(EveryMap, ChipTwoPinsOutOfPlaceIsNotTakenForAnEmptySocket) {
  for (const SocketMap* map : tsop48())
    for (const bool turned : {false, true})
      for (const int shift : {-3, -2, 2, 3}) {
        SCOPED_TRACE(fmt::format("{} turned {} shift {}", map->name, turned, shift));
        const Verdict v = judge(DiodeChip{.map = map, .turned = turned, .shift = shift}.measure(), map);
        EXPECT_EQ(to_text(v.seating), "unsure") << v.sentence;
        EXPECT_THAT(v.sentence, HasSubstr("two pins or more out of place"));
        EXPECT_FALSE(v.may_power());
      }
}

// What a chip ties inside itself is no bridge, wherever it stands.
TEST(EveryMap, FurtherSupplyPinsOfAPartAreNoBridge) {
  for (const SocketMap* map : tsop48()) {
    SCOPED_TRACE(map->name);
    DiodeChip chip{.map = map};
    chip.bonded = map->may_be_bonded();
    Readings readings = chip.measure();
    for (unsigned p = 1; p <= kPositions; ++p)
      if (chip.bonded[p]) readings.positions[p - 1].plus_mV = readings.positions[p - 1].minus_mV = 0;
    EXPECT_EQ(to_text(judge(readings, map).seating), "seated") << judge(readings, map).sentence;
    for (const int shift : {-1, 1}) {
      chip.shift = shift;
      const Verdict v = judge(chip.measure(), map);
      EXPECT_EQ(to_text(v.seating), shift > 0 ? "shifted_down" : "shifted_up") << v.sentence;
      EXPECT_THAT(v.notes, IsEmpty());
    }
  }
}

TEST(EveryMap, EveryBridgeBetweenAnyTwoIsNamedAndForbidsPower) {
  for (const SocketMap* map : tsop48())
    for (unsigned a = 1; a <= kPositions; ++a)
      for (unsigned b = a + 2; b <= kPositions; ++b) {
        const auto one_supply = [&](unsigned p, unsigned q) {
          return std::pair{p, q} == std::pair{12u, 37u} || std::pair{p, q} == std::pair{13u, 36u};
        };
        const auto may_tie = [](const SocketMap& m, unsigned p, unsigned q) {
          const auto own = [](const PositionSet& further, unsigned x, unsigned y, unsigned at) {
            return further[at] || at == x || at == y;
          };
          return (own(m.may_be_supply, 12, 37, p) && own(m.may_be_supply, 12, 37, q)) ||
                 (own(m.may_be_ground, 13, 36, p) && own(m.may_be_ground, 13, 36, q));
        };
        if (one_supply(a, b) || may_tie(*map, a, b)) continue;
        SCOPED_TRACE(map->name + fmt::format(" {}-{}", a, b));
        Readings readings = DiodeChip{.map = map}.measure();
        bridge(readings, a, b);
        const Verdict v = judge(readings, map);
        EXPECT_EQ(to_text(v.seating), is_supply(a) && is_supply(b) ? "supply_short" : "bridged") << v.sentence;
        EXPECT_THAT(v.pins, ElementsAre(a, b));
        EXPECT_FALSE(v.may_power());
      }
}

TEST(EveryMap, OpenRowAndOpenSupplyAreNamed) {
  for (const SocketMap* map : tsop48()) {
    SCOPED_TRACE(map->name);
    for (const bool first : {true, false}) {
      DiodeChip chip{.map = map};
      for (unsigned p = first ? 1 : 25; p <= (first ? 24u : 48u); ++p) chip.open.set(p);
      EXPECT_EQ(judge(chip.measure(), map).seating, Seating::open_row);
      EXPECT_EQ(judge(chip.measure()).seating, Seating::open_row);
    }
    DiodeChip no_supply{.map = map}, no_ground{.map = map};
    no_supply.open.set(12).set(37);
    no_ground.open.set(13).set(36);
    EXPECT_THAT(judge(no_supply.measure(), map).pins, ElementsAre(12u, 37u));
    EXPECT_EQ(judge(no_supply.measure()).seating, Seating::open_pins);
    EXPECT_THAT(judge(no_ground.measure(), map).pins, ElementsAre(13u, 36u));
    EXPECT_EQ(judge(no_ground.measure()).seating, Seating::open_pins);
    DiodeChip dead{.map = map};
    dead.supply_short = true;
    EXPECT_EQ(judge(dead.measure(), map).seating, Seating::supply_short);
  }
}

// Spread and noise as in tests/data/contact (from chip to chip 430 to 640 mV, from pin to pin 9 mV); leakage and temperature
// as flux residue and a cold or warm bench give them.
TEST(EveryMap, OfAThousandGoodSocketsNoneIsCalledBad) {
  std::mt19937 random(20);
  const auto between = [&](double low, double high) { return std::uniform_real_distribution<double>(low, high)(random); };
  const auto maps = tsop48();
  for (std::uint32_t i = 0; i < 1000; ++i) {
    DiodeChip chip{.map = maps[i % maps.size()]};
    chip.to_supply_mV = between(480, 640);
    chip.to_ground_mV = between(430, 560);
    chip.bulk_mV = between(420, 520);
    chip.degrees = between(-10, 60);
    chip.noise_mV = 9;
    chip.leakage_ohm = between(1e5, 1e6);
    for (unsigned p = 1; p <= kPositions; ++p) chip.leaking[p] = random() % 2 == 0;
    chip.seed = i;
    SCOPED_TRACE(fmt::format("socket {}: {} at {:.0f} degrees", i, chip.map->name, chip.degrees));
    const Readings readings = chip.measure();
    EXPECT_EQ(judge(readings, chip.map).seating, Seating::seated);
    EXPECT_EQ(judge(readings).seating, Seating::seated);
  }
}

TEST(EveryMap, LeakageThatShowsIsANoteBesideSeated) {
  DiodeChip chip{.map = find_built_in("tsop48-x8")};
  chip.leakage_ohm = 5200;  // takes most of the 100 uA at 0.5 V
  chip.leaking.set(17).set(18);
  const Verdict v = judge(chip.measure());
  EXPECT_EQ(v.seating, Seating::seated);
  EXPECT_THAT(v.notes, ElementsAre(HasSubstr("pin 17 (ALE)"), HasSubstr("pin 18 (WE#)")));
  EXPECT_THAT(v.notes, Each(HasSubstr("flux residue")));
}

TEST(EveryMap, BondedSupplyPinsOfAPartAreNoTie) {
  Readings readings = DiodeChip{.map = find_built_in("tsop48-x8")}.measure();
  for (const unsigned p : {25u, 34u, 39u, 48u}) readings.positions[p - 1] = {.plus_mV = 2, .minus_mV = -2, .bridged_with = 0};
  EXPECT_EQ(judge(readings).seating, Seating::seated);
  readings.positions[30 - 1] = {.plus_mV = 2, .minus_mV = -2, .bridged_with = 0};
  const Verdict v = judge(readings);
  EXPECT_EQ(v.seating, Seating::bridged) << "a signal that conducts straight into a rail";
  EXPECT_THAT(v.pins, ElementsAre(30u));
}

TEST(EveryMap, ReversedSupplyOnAnAdapterIsATurnedChip) {
  const SocketMap* map = find_built_in("bga63-x8-adapter");
  ASSERT_NE(map, nullptr);
  DiodeChip chip{.map = map};
  EXPECT_EQ(judge(chip.measure(), map).seating, Seating::seated);
  chip.open.set(8);
  EXPECT_THAT(judge(chip.measure(), map).sentence, HasSubstr("contact D4"));
  Readings reversed = DiodeChip{.map = map}.measure();
  std::swap(reversed.rail.plus_mV, reversed.rail.minus_mV);
  reversed.rail = {.plus_mV = static_cast<std::int16_t>(-reversed.rail.plus_mV),
                   .minus_mV = static_cast<std::int16_t>(-reversed.rail.minus_mV),
                   .bridged_with = 0};
  EXPECT_EQ(judge(reversed, map).seating, Seating::turned);
  EXPECT_FALSE(judge(reversed, map).may_power());
}

TEST(Picture, MarksPinOneAndEveryFault) {
  DiodeChip chip{.map = find_built_in("tsop48-x8")};
  chip.open.set(17);
  const Readings readings = chip.measure();
  const Verdict v = judge(readings);
  const auto lines = draw_text(readings, v);
  ASSERT_EQ(lines.size(), 27u);
  EXPECT_THAT(lines[1], HasSubstr("1 |o"));
  EXPECT_THAT(lines[1], HasSubstr("| 48"));
  EXPECT_THAT(lines[17], HasSubstr("OPEN   17 |"));
  for (const std::string& line : lines) {
    EXPECT_LE(line.size(), 80u) << line;
    EXPECT_EQ(line.find("\x1b"), std::string::npos);
  }
  const std::string svg = draw_svg(readings, v, "a <title> & more");
  EXPECT_THAT(svg, HasSubstr("pin 1</text>"));
  EXPECT_THAT(svg, HasSubstr("ALE -/- OPEN"));
  EXPECT_THAT(svg, HasSubstr("a &lt;title&gt; &amp; more"));
  EXPECT_EQ(svg.find("<script"), std::string::npos);
}

}  // namespace
}  // namespace steadycell::contact
