#pragma once
#include <array>
#include <bitset>
#include <optional>
#include <span>
#include <string>
#include <string_view>

#include "base/result.h"

// Which signal of a raw NAND package meets which position of the board's 48-pin TSOP socket. Positions count from 1 as on
// the package. The maps are data (maps/*.json); each says where it comes from.
namespace steadycell::contact {

inline constexpr unsigned kPositions = 48;
inline constexpr unsigned kLastOfSide = 24;  // 1..24 lie on one side of the package, 25..48 on the other

using PositionSet = std::bitset<kPositions + 1>;  // by position; bit 0 unused

// The board's own wiring, the same for every part: 12 and 37 give VCC, 13 and 36 are ground.
inline constexpr std::array<unsigned, 2> kSupplyPositions{12, 37}, kGroundPositions{13, 36};
bool is_supply(unsigned position);  // VCC or VSS

struct SocketMap {
  std::string name;     // "tsop48-x8-2ce"
  std::string title;    // for people
  std::string package;  // "TSOP48", or the package that an adapter carries
  std::string source;
  bool adapter = false;  // a carrier with another package: it can be neither shifted nor recognised as turned by its pattern
  unsigned bus_bits = 8, chip_enables = 1;
  std::array<std::string, kPositions + 1> signal_names,
      contacts;               // by position; empty: nothing there; contact of the package on an adapter
  PositionSet signals;        // positions where a clamp of the chip is expected
  PositionSet may_be_supply, may_be_ground;  // further VCC and VSS pins that some parts bond out
  PositionSet may_be_bonded() const { return may_be_supply | may_be_ground; }

  std::string name_of(unsigned position) const;   // "I/O3", "CE#", "VCC", "VSS"; "NC" where there is nothing
  std::string describe(unsigned position) const;  // "pin 43 (I/O6)"
};

// One map in JSON, schema steadycell-socket-map/1 (docs/contacts.md). Errors are bad_input_file and name the key.
Result<SocketMap> parse_map(std::string_view json);

// Those of the program, plainest first; adapters last.
std::span<const SocketMap> built_in_maps();
const SocketMap* find_built_in(std::string_view name);  // nullptr: no such map

// Names after the widest of the ONFI maps, for a chip of which no map was named.
std::string describe_position(unsigned position);
// The position of an I/O lane, 0..7 or 0..15, after the same map.
std::optional<unsigned> position_of_lane(unsigned lane);

}  // namespace steadycell::contact
