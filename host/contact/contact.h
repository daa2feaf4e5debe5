#pragma once
#include <array>
#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "contact/socket_map.h"

// Is a chip seated right? Judged from the junctions at its pins before any supply is on.
namespace steadycell::contact {

// One position with both socket rails held at 0 V. +/-1500 mV is the compliance of the source: nothing conducts.
struct Reading {
  std::int16_t plus_mV = 1500;     // at +100 uA
  std::int16_t minus_mV = -1500;   // at -100 uA
  std::uint8_t bridged_with = 0;   // neighbouring position, 0 = none
};

struct Readings {
  std::array<Reading, kPositions> positions{};  // [position - 1]; those of VCC and VSS mean nothing and are not looked at
  Reading rail;                                 // VCC against ground
};

enum class Seating : std::uint8_t {
  seated,
  empty,         // no chip, or the lid is not closed
  turned,        // by 180 degrees
  shifted_down,  // pin 1 stands on position 2
  shifted_up,    // pin 2 stands on position 1
  side_open,     // a whole side of the package touches nothing
  pins_open,     // single positions touch nothing
  supply_open,   // signals conduct, the supply pins do not
  supply_short,  // supply pins bridged, or a dead chip
  bridged,       // neighbouring positions conduct into each other
  unclear,       // fits no pattern known here
};
std::string_view to_text(Seating seating);  // "seated", "shifted_down", ...

struct Verdict {
  Seating seating = Seating::unclear;
  std::vector<unsigned> pins;      // positions at fault, rising
  unsigned chip_enables = 0;       // CE# lines that conduct, when seated
  unsigned bus_bits = 8;           // 16 when the upper lanes conduct
  std::string sentence;            // for a person: what is seen and what to do
  std::vector<std::string> notes;  // series resistance, missing protection diodes
  // Whether chip supply may be switched on. An empty socket may: nothing can be harmed, and nothing will answer.
  bool may_power() const { return seating == Seating::seated || seating == Seating::empty; }
};

Verdict judge(const Readings& readings);

}  // namespace steadycell::contact
