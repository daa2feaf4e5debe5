#include "board/lease.h"

#include <utility>

namespace steadycell::board {

asio::awaitable<Result<PowerLease>> PowerLease::socket(BoardClient& board, Millivolts rail, std::uint16_t limit_mA, SocketGround ground) {
  Bytes payload(7 + ground.id.size());
  const MutableByteSpan at(payload);
  store_u16(at, static_cast<std::uint16_t>(rail.value));
  store_u16(at.subspan(2), limit_mA);
  payload[4] = static_cast<std::uint8_t>(ground.kind);
  payload[6] = static_cast<std::uint8_t>(ground.id.size());
  std::copy(ground.id.begin(), ground.id.end(), payload.begin() + 7);
  const auto measured = co_await board.switch_on(SCP_SOCKET_ON, std::move(payload));
  if (!measured) co_return failure(Error(measured.error()).during("switching the socket to {}", rail));
  co_return PowerLease(board, SCP_SOCKET_OFF, *measured);
}

asio::awaitable<Result<PowerLease>> PowerLease::port(BoardClient& board, std::uint16_t limit_mA, std::uint16_t ramp_ms, bool data_lines, bool keep) {
  constexpr std::uint16_t kPortMillivolts = 5000;
  Bytes payload(8);
  const MutableByteSpan at(payload);
  store_u16(at, kPortMillivolts);
  store_u16(at.subspan(2), limit_mA);
  store_u16(at.subspan(4), ramp_ms);
  payload[6] = static_cast<std::uint8_t>((data_lines ? 1 : 0) | (keep ? 2 : 0));
  const auto measured = co_await board.switch_on(SCP_PORT_ON, std::move(payload));
  if (!measured) co_return failure(Error(measured.error()).during("switching the port on"));
  co_return PowerLease(board, SCP_PORT_OFF, *measured);
}

PowerLease::PowerLease(PowerLease&& other) noexcept
    : board_(std::exchange(other.board_, nullptr)), off_(other.off_), measured_(other.measured_) {}

// Nothing can be awaited here. The job that owns the lease has ended by an exception; the board cuts the rail when the
// heartbeat stops with the client.
PowerLease::~PowerLease() = default;

asio::awaitable<Result<void>> PowerLease::power_down() {
  BoardClient* const board = std::exchange(board_, nullptr);
  if (!board) co_return Result<void>();
  co_return co_await board->switch_off(off_);
}

}  // namespace steadycell::board
