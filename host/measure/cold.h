#pragma once
#include <boost/asio/awaitable.hpp>

#include "board/client.h"
#include "supply/cold.h"

namespace steadycell::measure {

namespace asio = boost::asio;

// The check before power, on a board whose rails are off: about a second, at most 1 mA and 1.5 V. A big capacitor
// gets time until it is charged, 2 s a reading at most. board_refused when the board cannot; errors of the link.
asio::awaitable<Result<supply::ColdReadings>> measure_cold(board::BoardClient& board);
// Ohms of the supply line alone, infinite where no current flows. Errors as above.
asio::awaitable<Result<double>> measure_supply_ohm(board::BoardClient& board);

}  // namespace steadycell::measure
