#pragma once
#include <array>
#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

// What the contacts of a TSOP48 socket say before any power: is something seated, and right.
//
// Both rails at 0 V, one position at a time, +100 uA and -100 uA, clamped at 1.5 V: a seated signal pin shows its input
// clamps both ways, an open position the compliance both ways. (Production testers do the same; the usual good range of
// 0.3 to 0.8 V is common practice, no source.)
namespace steadycell::contact {

inline constexpr unsigned kPositions = 48;

struct Reading {
  std::int16_t plus_mV = 1500, minus_mV = -1500;  // at +/-100 uA
  std::uint8_t bridged_with = 0;                  // neighbouring position, 0 = none
};

struct Readings {
  std::array<Reading, kPositions> position;  // [0] is position 1
  Reading rail;                              // VCC against GND
};

enum class Seating : std::uint8_t {
  empty,           // nothing in the socket, or the lid is not closed
  seated,
  turned,          // by 180 degrees: the supply would be reversed
  shifted_down,    // one position towards higher numbers on the first side
  shifted_up,
  side_open,       // one whole row has no contact
  pin_open,
  supply_short,    // VCC to GND below 50 mV both ways
  bridged,
  unsure,
};
std::string_view name_of(Seating seating);  // "seated", "pin_open", ...

struct Verdict {
  Seating seating = Seating::unsure;
  std::vector<std::uint8_t> pins;   // at fault; empty when none stands out
  unsigned chip_enables = 1;        // seen, when seated
  std::string text;                 // one sentence for a person
  std::vector<std::string> notes;
  bool may_power() const { return seating == Seating::seated; }
};

Verdict judge(const Readings& readings);

// Signal name of a TSOP48 position of an x8 chip ("CE#", "I/O0", "VCC"), "NC" for the rest. (ONFI 2.3a section 2.1, from memory.)
std::string_view signal_name(unsigned position);

}  // namespace steadycell::contact
