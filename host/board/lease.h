#pragma once
#include <boost/asio/awaitable.hpp>

#include "board/client.h"

namespace steadycell::board {

// The only owner of a rail. It ends with an awaited power_down(), which nothing cancels and which has its own deadline; a
// lease that is dropped without it leaves the rail to the board's heartbeat (and says so in debug builds).
class PowerLease {
 public:
  // e302 at the current limit, e303 when the rail does not rise, e305 with the lid open, e301 when the board wants other
  // grounds.
  static asio::awaitable<Result<PowerLease>> socket(BoardClient& board, Millivolts rail, std::uint16_t limit_mA, SocketGround ground);
  // Power-only unless `data_lines`; ends with the host unless `keep`.
  static asio::awaitable<Result<PowerLease>> port(BoardClient& board, std::uint16_t limit_mA, std::uint16_t ramp_ms, bool data_lines, bool keep);

  PowerLease(PowerLease&& other) noexcept;
  PowerLease& operator=(PowerLease&&) = delete;
  ~PowerLease();

  Millivolts measured() const { return measured_; }
  // Returns when the rail is below 0.1 V, measured; e304 when it does not bleed.
  asio::awaitable<Result<void>> power_down();

 private:
  PowerLease(BoardClient& board, scp_type off, Millivolts measured) : board_(&board), off_(off), measured_(measured) {}

  BoardClient* board_;  // null once powered down or moved from
  scp_type off_;
  Millivolts measured_;
};

}  // namespace steadycell::board
