#include "contact/socket_map.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>

namespace steadycell::contact {
namespace {

constexpr std::array<unsigned, 16> kLanes{29, 30, 31, 32, 41, 42, 43, 44, 26, 27, 28, 33, 40, 45, 46, 47};

}  // namespace

std::string position_name(unsigned position) {
  switch (position) {
    case 4: return "R/B4#";
    case 5: return "R/B3#";
    case 6: return "R/B2#";
    case 7: return "R/B#";
    case 8: return "RE#";
    case 9: return "CE#";
    case 10: return "CE2#";
    case 14: return "CE3#";
    case 15: return "CE4#";
    case 16: return "CLE";
    case 17: return "ALE";
    case 18: return "WE#";
    case 19: return "WP#";
    default: break;
  }
  if (position == 12 || position == 37) return "VCC";
  if (position == 13 || position == 36) return "VSS";
  const auto lane = std::find(kLanes.begin(), kLanes.end(), position);
  if (lane != kLanes.end()) return fmt::format("I/O{}", lane - kLanes.begin());
  return "NC";
}

std::string describe_position(unsigned position) { return fmt::format("pin {} ({})", position, position_name(position)); }

bool is_supply(unsigned position) { return position == 12 || position == 13 || position == 36 || position == 37; }

std::optional<unsigned> position_of_lane(unsigned lane) {
  if (lane >= kLanes.size()) return std::nullopt;
  return kLanes[lane];
}

}  // namespace steadycell::contact
