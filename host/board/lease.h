#pragma once
#include <boost/asio/awaitable.hpp>

#include "board/client.h"

namespace steadycell::board {

// The only owner of a rail. It ends with an awaited power_down(), which neither a stop nor a cancellation ends and
// which has its own deadline. A lease that is dropped without it asks the board to switch off and does not wait;
// when the client is gone too, the silent heartbeat makes the board do so.
class PowerLease {
 public:
  // A failure leaves the rail off. e302 at the current limit, e303 when the rail does not rise, e304 while it
  // stands above 0.1 V and does not bleed, e305 with the lid open, e306 when the board wants better grounds
  // for 3.3 V.
  static asio::awaitable<Result<PowerLease>> socket(BoardClient& board, Millivolts rail, std::uint16_t limit_mA,
                                                    SocketGround ground);
  // Power-only unless `data_lines`; ends with the host unless `keep`.
  static asio::awaitable<Result<PowerLease>> port(BoardClient& board, std::uint16_t limit_mA,
                                                  std::uint16_t ramp_ms, bool data_lines, bool keep);

  // Switches off what a session before this one has left on, or bleeding, in the socket.
  static asio::awaitable<Result<void>> end_left_over_socket(BoardClient& board);

  PowerLease(PowerLease&& other) noexcept;
  PowerLease& operator=(PowerLease&&) = delete;
  ~PowerLease();

  // What the board read when the rail had come within its tolerance: it may still have been rising.
  Millivolts measured() const { return measured_; }
  // Returns when the rail is below 0.1 V, measured; e304 when it does not bleed. When the board is lost the error
  // says what that means for the rail. A second call does nothing.
  asio::awaitable<Result<void>> power_down();

 private:
  PowerLease(std::shared_ptr<BoardClient::Inside> inside, scp_rail rail, bool kept, Millivolts measured);
  static asio::awaitable<Result<PowerLease>> switch_on(std::shared_ptr<BoardClient::Inside> inside, scp_rail rail,
                                                       Bytes payload, bool kept);
  static asio::awaitable<Result<void>> switch_off(BoardClient::Inside& inside, scp_rail rail, bool kept);

  std::shared_ptr<BoardClient::Inside> inside_;  // null once powered down or moved from
  scp_rail rail_;
  bool kept_;
  Millivolts measured_;
};

}  // namespace steadycell::board
