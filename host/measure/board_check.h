#pragma once
#include <boost/asio/awaitable.hpp>
#include <optional>
#include <string>
#include <vector>

#include "base/json.h"
#include "board/client.h"

// Fixture or patient? What the board itself does with nothing of a client's on it: an empty socket, and a load of known
// values on the port.
namespace steadycell::measure {

namespace asio = boost::asio;

struct KnownLoad {
  double ohm = 0;         // 60 to 10000: below the port's 100 mA, above its noise
  double microfarad = 0;  // 0: the load has no capacitor
};

struct BoardCheckOptions {
  std::optional<KnownLoad> load;  // nothing: the port stays off
  bool socket_3v3 = false;        // the user's word that the socket may get 3.3 V; it gets it empty only
  bool reference_chip = false;    // a known chip sits in the socket: what needs it empty is left out
};

struct CheckItem {
  enum class Outcome : std::uint8_t { passed, failed, not_checked };
  std::string name;  // "wp", "socket_empty", "lanes", "rail_1v8", "rail_3v3", "port_load", "port_trip", "reference_chip"
  Outcome outcome = Outcome::not_checked;
  std::string text;     // for a person
  json::Object values;  // measured and expected, units in the names
};
std::string_view to_text(CheckItem::Outcome outcome);

// Tolerances: rails 5 %, resistance 3 %, capacitance 10 % (common practice, no source). A board that answers but does wrong is
// a failed item; an error is a board that could not be asked. Rails are off when this returns. The socket gets power only
// after every position was found open.
asio::awaitable<Result<std::vector<CheckItem>>> check_board(board::BoardClient& board, BoardCheckOptions options);

// Resistance and capacitance of a load from the samples of one ramp, by Ohm's law and by the charge: what flowed beyond V / R
// is what the capacitor took.
struct LoadSample {
  double seconds = 0, mA = 0, volts = 0;
};
struct MeasuredLoad {
  double ohm = 0, microfarad = 0, volts = 0, mA = 0;
};
// Nothing when the samples never stand above half of `volts` for 10 ms.
std::optional<MeasuredLoad> measure_load(const std::vector<LoadSample>& samples, double volts);

}  // namespace steadycell::measure
