#pragma once
#include <optional>
#include <string>

// Which signal of a raw NAND package stands on which position of a 48-pin TSOP socket, after the ONFI pin assignment (from
// memory: check a data sheet before a board is built). Positions count from 1 as on the package.
namespace steadycell::contact {

inline constexpr unsigned kPositions = 48;
inline constexpr unsigned kLastOfSide = 24;  // 1..24 lie on one side of the package, 25..48 on the other

// "I/O3", "CE#", "VCC"; "NC" where an 8-bit part has nothing.
std::string position_name(unsigned position);
// "pin 43 (I/O6)".
std::string describe_position(unsigned position);

bool is_supply(unsigned position);  // VCC or VSS
// The position of an I/O lane, 0..7 or 0..15; some makers' 16-bit parts interleave their lanes differently.
std::optional<unsigned> position_of_lane(unsigned lane);

}  // namespace steadycell::contact
