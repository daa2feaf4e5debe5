#pragma once
#include <cmath>
#include <random>

#include "contact/contact.h"

// A chip of diodes in a socket, made apart from the code under test: what a board would measure. Junctions follow the Shockley
// equation at a forced current, V = n (kT/q) ln(I / Is), and move by -2 mV/K (Sze, Physics of Semiconductor Devices, from
// memory); leakage to a held rail takes its share of the current (Ohm's law).
namespace steadycell::contact {

struct DiodeChip {
  const SocketMap* map = nullptr;
  bool turned = false;
  int shift = 0;
  double to_supply_mV = 560, to_ground_mV = 500, bulk_mV = 470;  // at 25 degrees and 100 uA
  double degrees = 25, noise_mV = 0;
  PositionSet open{};         // positions that touch nothing
  double leakage_ohm = 0;     // from leaking positions to a rail; 0: none
  PositionSet leaking{};
  bool supply_short = false;
  PositionSet bonded{};       // further supply pins of the chip, as its map has them
  std::uint32_t seed = 1;

  // At 0.25 V the chip's pins of one supply are tied together: told in a ring as a board tells it, which knows the two pins
  // of its own supplies for one.
  static void tell_net(Readings& out, PositionSet net) {
    for (const auto& rail : {kSupplyPositions, kGroundPositions})
      if (net[rail[0]] && net[rail[1]]) net.reset(rail[1]);
    net.reset(0);
    unsigned first = 0, last = 0;
    for (unsigned p = 1; p <= kPositions; ++p) {
      if (!net[p]) continue;
      if (last != 0) out.positions[last - 1].bridged_with = static_cast<std::uint8_t>(p);
      if (first == 0) first = p;
      last = p;
    }
    if (last != first) out.positions[last - 1].bridged_with = static_cast<std::uint8_t>(first);
  }

  // Where a pin of the chip stands; the numbers run down one side and up the other.
  int stands_on(int pin) const {
    const int at = turned ? (pin <= 24 ? pin + 24 : pin - 24) : pin;
    const int moved = at <= 24 ? at + shift : at - shift;
    return (at <= 24 ? moved >= 1 && moved <= 24 : moved >= 25 && moved <= 48) ? moved : 0;
  }

  Readings measure() const {
    std::mt19937 random(seed);
    std::normal_distribution<double> noise(0, 1);
    const auto junction = [&](double at_25, unsigned position) {
      constexpr double kVolts_mV = 1.3 * 25.7;  // n kT/q
      const double alone = at_25 - 2 * (degrees - 25);
      double seen = alone;
      if (leakage_ohm > 0 && leaking[position]) {
        double low = 0, high = alone;  // I0 exp((V - alone) / (n kT/q)) + V / R = 100 uA
        for (int i = 0; i < 60; ++i) {
          seen = (low + high) / 2;
          (100 * std::exp((seen - alone) / kVolts_mV) + seen * 1000 / leakage_ohm > 100 ? high : low) = seen;
        }
      }
      return seen + noise_mV * noise(random);
    };
    const auto touches = [&](int pin) {
      const int at = stands_on(pin);
      return at != 0 && !open[static_cast<std::size_t>(at)] ? at : 0;
    };
    // Which rails the chip's own supplies reach, with position `floating` (a supply measured alone) and its twin let go.
    const auto reaches = [&](std::initializer_list<int> pins, int floating) {
      bool out = false;
      for (const int pin : pins) {
        const int at = touches(pin);
        const bool supply = at == 12 || at == 37, ground = at == 13 || at == 36;
        const bool supply_floats = floating == 12 || floating == 37, ground_floats = floating == 13 || floating == 36;
        out |= (supply && !supply_floats) || (ground && !ground_floats);
      }
      return out;
    };
    Readings out;
    const auto put = [&](Reading& reading, double plus, double minus) {
      reading.plus_mV = static_cast<std::int16_t>(std::lround(std::min(plus, 1500.0)));
      reading.minus_mV = static_cast<std::int16_t>(std::lround(std::max(-minus, -1500.0)));
    };
    for (int pin = 1; pin <= 48; ++pin) {
      const int at = touches(pin);
      if (at == 0) continue;
      const auto position = static_cast<unsigned>(at);
      const bool supply_held = reaches({12, 37}, at), ground_held = reaches({13, 36}, at);
      Reading& reading = out.positions[position - 1];
      if (pin == 12 || pin == 37)
        put(reading, 1500, ground_held ? junction(bulk_mV, position) : 1500);
      else if (pin == 13 || pin == 36)
        put(reading, supply_held ? junction(bulk_mV, position) : 1500, 1500);
      else if (map->signals[static_cast<std::size_t>(pin)])
        put(reading, supply_held ? junction(to_supply_mV, position) : 1500, ground_held ? junction(to_ground_mV, position) : 1500);
    }
    const auto on = [&](std::initializer_list<int> pins, int a, int b) {
      bool some = false;
      for (const int pin : pins) some |= touches(pin) == a || touches(pin) == b;
      return some;
    };
    if (on({12, 37}, 12, 37) && on({13, 36}, 13, 36)) put(out.rail, 1500, junction(bulk_mV, 0));
    if (on({12, 37}, 13, 36) && on({13, 36}, 12, 37)) put(out.rail, junction(bulk_mV, 0), 1500);
    for (const auto& [own, further] : {std::pair{std::pair{12, 37}, &map->may_be_supply}, {std::pair{13, 36}, &map->may_be_ground}}) {
      PositionSet net;
      for (int pin = 1; pin <= 48; ++pin) {
        const auto number = static_cast<std::size_t>(pin);
        if (pin == own.first || pin == own.second || (bonded[number] && (*further)[number]))
          net.set(static_cast<std::size_t>(touches(pin)));
      }
      tell_net(out, net);
    }
    if (supply_short) out.rail = {.plus_mV = 0, .minus_mV = 0, .bridged_with = 0};
    return out;
  }
};

// As a board tells a bridge: each side names the other, and a rail at 0 V takes all the current.
inline void bridge(Readings& readings, unsigned a, unsigned b) {
  const Reading first = readings.positions[a - 1], second = readings.positions[b - 1];
  const auto nearer = [](std::int16_t x, std::int16_t y) { return std::abs(x) < std::abs(y) ? x : y; };
  for (const auto& [from, to] : {std::pair{a, b}, {b, a}}) {
    Reading& reading = readings.positions[from - 1];
    reading.plus_mV = nearer(first.plus_mV, second.plus_mV);
    reading.minus_mV = nearer(first.minus_mV, second.minus_mV);
    if (is_supply(to) && !is_supply(from)) reading.plus_mV = reading.minus_mV = 0;
    reading.bridged_with = static_cast<std::uint8_t>(to);
  }
  if (is_supply(a) && is_supply(b)) readings.rail.plus_mV = readings.rail.minus_mV = 0;
}

}  // namespace steadycell::contact
