#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <bitset>
#include <cstdlib>

#include "contact/contact.h"

// The patterns of a diode test; production testers judge by the same figures: a short within some +/-0.2 V, an open at the
// compliance, a junction near 0.65 V. Thresholds are common practice, no source.
namespace steadycell::contact {
namespace {

using Set = std::bitset<kPositions + 1>;  // by position; bit 0 unused

constexpr int kJunctionLow = 250, kJunctionHigh = 1100;  // mV; a contact with 1 kohm reads 100 mV more than its neighbours
constexpr int kSupplyShort = 50;                          // mV across the rail, both ways
constexpr int kSeriesExcess = 80;                         // mV above the chip's own median
constexpr int kUsualMedian = 800;                         // mV; above it the whole chip reads high

bool conducts(int mV) { return std::abs(mV) >= kJunctionLow && std::abs(mV) <= kJunctionHigh; }

Set set_of(std::initializer_list<unsigned> positions) {
  Set set;
  for (const unsigned p : positions) set.set(p);
  return set;
}

const Set kAlways = set_of({7, 8, 9, 16, 17, 18, 19, 29, 30, 31, 32, 41, 42, 43, 44});  // signals of any 8-bit part
const Set kUpperLanes = set_of({26, 27, 28, 33, 40, 45, 46, 47});
constexpr unsigned kEnables[] = {9, 10, 14, 15}, kReady[] = {7, 6, 5, 4};

Set turned(const Set& pins) {
  Set out;
  for (unsigned p = 1; p <= kPositions; ++p)
    if (pins[p]) out.set(p <= kLastOfSide ? p + kLastOfSide : p - kLastOfSide);
  return out;
}

// The chip moved along its sides: on one side numbers grow, on the other they fall. What leaves the socket is dropped.
Set shifted(const Set& pins, int by) {
  Set out;
  for (int p = 1; p <= static_cast<int>(kPositions); ++p) {
    if (!pins[static_cast<std::size_t>(p)]) continue;
    const bool left = p <= static_cast<int>(kLastOfSide);
    const int to = left ? p + by : p - by;
    if (left ? to >= 1 && to <= static_cast<int>(kLastOfSide) : to > static_cast<int>(kLastOfSide) && to <= static_cast<int>(kPositions))
      out.set(static_cast<std::size_t>(to));
  }
  return out;
}

Set without_supply(Set pins) {
  for (unsigned p = 1; p <= kPositions; ++p)
    if (is_supply(p)) pins.reset(p);
  return pins;
}

std::vector<unsigned> positions_of(const Set& set) {
  std::vector<unsigned> out;
  for (unsigned p = 1; p <= kPositions; ++p)
    if (set[p]) out.push_back(p);
  return out;
}

std::string names_of(const std::vector<unsigned>& pins) {
  std::vector<std::string> names;
  names.reserve(pins.size());
  for (const unsigned p : pins) names.push_back(describe_position(p));
  return fmt::format("{}", fmt::join(names, ", "));
}

int median(std::vector<int> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

// What the readings say, position by position.
struct Seen {
  explicit Seen(const Readings& readings) {
    for (unsigned p = 1; p <= kPositions; ++p) {
      const Reading& r = readings.positions[p - 1];
      if (r.bridged_with != 0) bridged.set(p);
      if (is_supply(p)) continue;
      if (conducts(r.plus_mV)) up.set(p);
      if (conducts(r.minus_mV)) down.set(p);
    }
    rail_up = conducts(readings.rail.plus_mV);
    rail_down = conducts(readings.rail.minus_mV);
    rail_short = std::abs(readings.rail.plus_mV) <= kSupplyShort && std::abs(readings.rail.minus_mV) <= kSupplyShort;
  }
  Set any() const { return up | down; }
  Set both() const { return up & down; }

  Set up, down, bridged;  // junction at +100 uA, at -100 uA; bridged with a neighbour
  bool rail_up = false, rail_down = false, rail_short = false;
};

Verdict verdict(Seating seating, std::vector<unsigned> pins, std::string sentence) {
  Verdict out;
  out.seating = seating;
  out.pins = std::move(pins);
  out.sentence = std::move(sentence);
  return out;
}

// Junctions one way only, at all signals, because one of the chip's rails hangs in the air.
bool one_way(const Set& conducting, const Set& other_way, const Set& pattern, const Set& chip_supply) {
  return other_way.none() && (pattern & ~conducting).none() && (chip_supply & conducting).any();
}

// Differences between the pins of one chip, and between this chip and any.
std::vector<std::string> notes_on(const Readings& readings, const Set& signals) {
  std::vector<std::string> notes;
  std::vector<int> up, down;
  for (const unsigned p : positions_of(signals)) {
    const Reading& r = readings.positions[p - 1];
    if (conducts(r.plus_mV)) up.push_back(r.plus_mV);
    if (conducts(r.minus_mV)) down.push_back(-r.minus_mV);
  }
  if (up.empty() || down.empty()) return notes;
  const int up_median = median(up), down_median = median(down);
  for (const unsigned p : positions_of(signals)) {
    const Reading& r = readings.positions[p - 1];
    const int excess = std::max(r.plus_mV - up_median, -r.minus_mV - down_median);
    if (conducts(r.plus_mV) && conducts(r.minus_mV) && excess >= kSeriesExcess)
      notes.emplace_back(fmt::format("{} reads {} mV above the chip's other pins, some {} ohm in series: clean it", describe_position(p), excess, excess * 10));
  }
  if (up_median > kUsualMedian && down_median > kUsualMedian)
    notes.emplace_back(fmt::format("all pins read high ({} and {} mV): resistance in the common ground contact, or a cold chip", up_median, down_median));
  return notes;
}

Verdict judge_in_place(const Readings& readings, const Seen& seen) {
  const Set missing = kAlways & ~seen.any();
  const Set left = set_of({7, 8, 9, 16, 17, 18, 19}), right = kAlways & ~left;
  if (missing == left || missing == right)
    return verdict(Seating::side_open, positions_of(missing),
                   fmt::format("nothing touches on the side of pins {}: a bent row, a tilted lid or debris under it; reseat the chip", missing == left ? "1 to 24" : "25 to 48"));
  if (missing.any())
    return verdict(Seating::pins_open, positions_of(missing), fmt::format("no contact at {}: a dirty or bent pin; clean it and reseat the chip", names_of(positions_of(missing))));
  // No upper diode at all is how some parts are made; a single pin without one is a fault.
  const Set half = kAlways & ~seen.both();
  if (half.any() && half != kAlways)
    return verdict(Seating::pins_open, positions_of(half),
                   fmt::format("only one of two junctions at {}: damaged by static or over-voltage, or a contact that changes; reseat and repeat", names_of(positions_of(half))));
  if (!seen.rail_up && !seen.rail_down)
    return verdict(Seating::supply_open, {12, 13, 36, 37}, "the signals touch, the supply pins do not: clean pins 12, 37 (VCC) and 13, 36 (VSS), reseat the chip");

  Verdict out = verdict(Seating::seated, {}, "");
  // Counted without a gap; dies may share an R/B#.
  while (out.chip_enables < std::size(kEnables) && seen.any()[kEnables[out.chip_enables]]) ++out.chip_enables;
  if ((kUpperLanes & ~seen.any()).none()) out.bus_bits = 16;
  Set known = kAlways;
  if (out.bus_bits == 16) known |= kUpperLanes;
  for (std::size_t i = 0; i < out.chip_enables; ++i) known.set(kEnables[i]).set(kReady[i]);
  out.sentence = fmt::format("the chip is seated: all {} signals of a part with {} chip enable{} touch", (known & seen.any()).count(), out.chip_enables, out.chip_enables == 1 ? "" : "s");
  if (const Set extra = seen.any() & ~known; extra.any()) out.notes.emplace_back(fmt::format("also conducting: {}", names_of(positions_of(extra))));
  if (half == kAlways) out.notes.emplace_back("one of two junctions is missing at all pins: how this part is made, no fault");
  for (std::string& note : notes_on(readings, seen.any())) out.notes.push_back(std::move(note));
  return out;
}

}  // namespace

std::string_view to_text(Seating seating) {
  switch (seating) {
    case Seating::seated: return "seated";
    case Seating::empty: return "empty";
    case Seating::turned: return "turned";
    case Seating::shifted_down: return "shifted_down";
    case Seating::shifted_up: return "shifted_up";
    case Seating::side_open: return "side_open";
    case Seating::pins_open: return "pins_open";
    case Seating::supply_open: return "supply_open";
    case Seating::supply_short: return "supply_short";
    case Seating::bridged: return "bridged";
    case Seating::unclear: break;
  }
  return "unclear";
}

// The rail comes first: ten of the fifteen signals of a turned chip lie on positions that are signals too, so counting
// contacts does not find it; the polarity of the rail does.
Verdict judge(const Readings& readings) {
  const Seen seen(readings);
  if (seen.rail_short)
    return verdict(Seating::supply_short, {12, 13, 36, 37},
                   "VCC and VSS are shorted: a bridge at the supply pins, or a dead chip; do not switch on, look at pins 12-13 and 36-37 first");
  if (seen.bridged.any())
    return verdict(Seating::bridged, positions_of(seen.bridged),
                   fmt::format("neighbours conduct into each other at {}: solder, debris or a bent pin; clean and reseat the chip", names_of(positions_of(seen.bridged))));
  if (seen.any().none() && !seen.rail_up && !seen.rail_down)
    return verdict(Seating::empty, {}, "nothing touches: no chip, or the lid is not closed");

  const Set as_turned = without_supply(turned(kAlways));
  if (seen.rail_up && !seen.rail_down) {
    const Set wrong = seen.any() & ~kAlways;
    if ((as_turned & ~seen.any()).count() <= 3 && wrong.any())
      return verdict(Seating::turned, positions_of(wrong), "the chip is turned by 180 degrees: pin 1 of the chip belongs on pin 1 of the socket");
    return verdict(Seating::unclear, positions_of(wrong), "the supply junction is the wrong way round: take the chip out and compare pin 1 with the socket's mark");
  }
  // Shifted by one, the chip's one supply rail lands on a signal position and its other on the socket's opposite rail.
  if (one_way(seen.up, seen.down, without_supply(shifted(kAlways, 1)), set_of({14, 35})))
    return verdict(Seating::shifted_down, positions_of(seen.any() & ~kAlways), "the chip sits one pin too low: its pin 1 stands on pin 2 of the socket; reseat it");
  if (one_way(seen.down, seen.up, without_supply(shifted(kAlways, -1)), set_of({11, 38})))
    return verdict(Seating::shifted_up, positions_of(seen.any() & ~kAlways), "the chip sits one pin too high: its pin 2 stands on pin 1 of the socket; reseat it");
  if ((kAlways & seen.any()).count() < 5)
    return verdict(Seating::unclear, positions_of(seen.any()), "few positions touch, in no pattern of a seated chip; reseat it");
  return judge_in_place(readings, seen);
}

}  // namespace steadycell::contact
