#pragma once
#include <vector>

#include "contact/contact.h"

// What a diode test must show for a chip of a given map in a given place. Not for other rooms.
//
// Model: each signal pin has a diode to the chip's VSS and one to its VCC, and the die one bulk diode from VSS to VCC. A
// junction is seen only when its far end reaches a rail that the board holds at 0 V; so a chip that is out of place shows
// junctions one way only, or the supply's own the wrong way round. Pinout symmetry does the rest: turning maps position n
// to n + 24 or n - 24, which carries VCC (12, 37) onto ground (36, 13) and ground onto VCC.
namespace steadycell::contact {

struct Place {
  bool turned = false;
  int shift = 0;  // +1: pin 1 stands on position 2, and pin 48 on position 47
};
// Where a pin of the chip stands; 0: outside the socket.
unsigned stands_on(Place place, unsigned pin);

struct Hypothesis {
  const SocketMap* map = nullptr;
  Seating seating = Seating::unsure;
  PositionSet up, down;       // junction expected at +100 uA, at -100 uA
  bool rail_up = false, rail_down = false;
  PositionSet not_looked_at;  // bonded on some parts only
  PositionSet chip_supply, chip_ground;  // where the chip's VCC and VSS stand, and the board's positions they reach
  std::vector<unsigned> supply_open;  // supply pins that touch nothing in this hypothesis
};

// All places of all maps: in place, turned, shifted by one, turned and shifted, in place with a supply open.
std::vector<Hypothesis> hypotheses(const std::vector<const SocketMap*>& maps);

}  // namespace steadycell::contact
