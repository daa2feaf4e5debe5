#include "contact/placement.h"

#include <algorithm>

namespace steadycell::contact {
namespace {

template <std::size_t N>
bool one_of(const std::array<unsigned, N>& positions, unsigned position) {
  return std::find(positions.begin(), positions.end(), position) != positions.end();
}

// Which supplies of the chip touch anything: with one of them open the other still conducts.
struct Touching {
  bool supply = true, ground = true;
};

Hypothesis expect(const SocketMap& map, Place place, Touching touching, Seating seating) {
  Hypothesis out;
  out.map = &map;
  out.seating = seating;
  bool supply_held = false, ground_held = false;  // the chip's own VCC and VSS reach a rail at 0 V
  bool right = false, wrong = false;              // a chip supply on the rail meant for it, on the other
  const auto look = [&](const std::array<unsigned, 2>& pins, const std::array<unsigned, 2>& own, bool& held) {
    for (const unsigned pin : pins) {
      const unsigned at = stands_on(place, pin);
      held |= is_supply(at);
      (one_of(own, at) ? right : wrong) |= is_supply(at);
    }
  };
  if (touching.supply) look(kSupplyPositions, kSupplyPositions, supply_held);
  if (touching.ground) look(kGroundPositions, kGroundPositions, ground_held);
  out.rail_down = supply_held && ground_held && right && !wrong;
  out.rail_up = supply_held && ground_held && wrong && !right;

  const auto put = [&](unsigned pin, bool up, bool down) {
    const unsigned at = stands_on(place, pin);
    if (at == 0 || is_supply(at)) return;
    out.up[at] = up;
    out.down[at] = down;
  };
  for (unsigned pin = 1; pin <= kPositions; ++pin) {
    if (map.signals[pin]) put(pin, supply_held, ground_held);
    // The chip's VSS on a signal position is pulled into its own VCC through the bulk junction, and the reverse.
    if (touching.supply && one_of(kSupplyPositions, pin)) put(pin, false, ground_held);
    if (touching.ground && one_of(kGroundPositions, pin)) put(pin, supply_held, false);
    if (const unsigned at = map.may_be_bonded()[pin] ? stands_on(place, pin) : 0; at != 0) out.not_looked_at.set(at);
    const unsigned at = stands_on(place, pin);
    out.chip_supply[at] = out.chip_supply[at] || one_of(kSupplyPositions, pin) || map.may_be_supply[pin];
    out.chip_ground[at] = out.chip_ground[at] || one_of(kGroundPositions, pin) || map.may_be_ground[pin];
  }
  for (PositionSet* set : {&out.chip_supply, &out.chip_ground}) {
    set->reset(0);  // what stands outside
    for (const auto& rail : {kSupplyPositions, kGroundPositions})
      if ((*set)[rail[0]] || (*set)[rail[1]]) set->set(rail[0]).set(rail[1]);
  }
  return out;
}

}  // namespace

unsigned stands_on(Place place, unsigned pin) {
  unsigned at = pin;
  if (place.turned) at = pin <= kLastOfSide ? pin + kLastOfSide : pin - kLastOfSide;
  const bool first_side = at <= kLastOfSide;
  const int moved = static_cast<int>(at) + (first_side ? place.shift : -place.shift);
  constexpr int kLast = static_cast<int>(kLastOfSide), kEnd = static_cast<int>(kPositions);
  const bool inside = first_side ? moved >= 1 && moved <= kLast : moved > kLast && moved <= kEnd;
  return inside ? static_cast<unsigned>(moved) : 0;
}

std::vector<Hypothesis> hypotheses(const std::vector<const SocketMap*>& maps) {
  std::vector<Hypothesis> out;
  for (const SocketMap* map : maps) {
    out.push_back(expect(*map, {}, {}, Seating::seated));
    for (const Touching touching : {Touching{.supply = false, .ground = true}, Touching{.supply = true, .ground = false}}) {
      out.push_back(expect(*map, {}, touching, Seating::open_pins));
      const auto& open = touching.supply ? kGroundPositions : kSupplyPositions;
      out.back().supply_open.assign(open.begin(), open.end());
    }
    if (map->adapter) continue;
    out.push_back(expect(*map, {.turned = true, .shift = 0}, {}, Seating::turned));
    out.push_back(expect(*map, {.turned = false, .shift = 1}, {}, Seating::shifted_down));
    out.push_back(expect(*map, {.turned = false, .shift = -1}, {}, Seating::shifted_up));
    out.push_back(expect(*map, {.turned = true, .shift = 1}, {}, Seating::turned));
    out.push_back(expect(*map, {.turned = true, .shift = -1}, {}, Seating::turned));
  }
  return out;
}

}  // namespace steadycell::contact
