#pragma once
#include <array>
#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "contact/socket_map.h"

// Is a chip seated right? Judged from the junctions at its pins before any supply is on.
namespace steadycell::contact {

inline constexpr int kCompliance_mV = 1500;  // of the source: nothing conducts

// One position, all others floating, both socket rails held at 0 V. A supply position is measured alone: its twin floats.
struct Reading {
  std::int16_t plus_mV = kCompliance_mV;    // at +100 uA
  std::int16_t minus_mV = -kCompliance_mV;  // at -100 uA
  std::uint8_t bridged_with = 0;            // another position tied to it at 0.25 V, below any junction; 0 = none
};

struct Readings {
  // [position - 1]. At 12, 13, 36 and 37 near 0 V while the rail is not shorted means: not measured, held by the board.
  std::array<Reading, kPositions> positions{};
  Reading rail;  // VCC against ground
};

enum class Seating : std::uint8_t {
  seated,
  empty,         // no chip, or the lid is not closed
  turned,        // by 180 degrees: the supply is the wrong way round
  shifted_up,    // pin 2 stands on position 1
  shifted_down,  // pin 1 stands on position 2
  open_row,      // a whole side of the package touches nothing
  open_pins,     // single positions touch nothing, or with one of two junctions only
  bridged,       // positions, or a signal and a rail, are tied together
  supply_short,  // supply pins bridged, or a dead die
  unsure,        // fits no pattern known here
};
std::string_view to_text(Seating seating);  // "seated", "shifted_down", ...

// What one position shows, measured against the map.
enum class Contact : std::uint8_t {
  unused,      // the part has nothing here, and nothing conducts
  good,        // signal or supply pin that conducts as it should
  open,        // should conduct, does not
  one_way,     // one of two junctions
  tied,        // conducts straight into a rail
  bridged,     // with another position that it has nothing to do with
  unexpected,  // conducts where the part has nothing
  held,        // a rail that the board holds and did not measure alone
};
std::string_view to_text(Contact contact);

struct Verdict {
  Seating seating = Seating::unsure;
  std::vector<unsigned> pins;  // positions at fault, rising
  SocketMap map;               // the one the readings were measured against
  std::array<Contact, kPositions + 1> contacts{};  // by position
  std::string sentence;            // for a person: what is seen and what to do
  std::vector<std::string> notes;  // what is no fault by itself: series resistance, leakage, missing protection diodes
  // Whether chip supply may be switched on. An empty socket may: nothing can be harmed, and nothing will answer.
  bool may_power() const { return seating == Seating::seated || seating == Seating::empty; }
};

// Against the given map, or against whichever built-in TSOP48 map explains most.
Verdict judge(const Readings& readings, const SocketMap* map = nullptr);

}  // namespace steadycell::contact
