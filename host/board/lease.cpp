#include "board/lease.h"

#include <boost/asio/cancellation_state.hpp>
#include <boost/asio/this_coro.hpp>
#include <utility>

#include "board/inside.h"

namespace steadycell::board {
namespace {

using namespace std::chrono_literals;

constexpr auto kSwitchOn = 3s;       // ramp and settling included
constexpr auto kSwitchOff = 2500ms;  // the board itself bleeds for at most 2 s
constexpr int kOffTries = 3;         // an answer may be lost, or an earlier switch-off still be under way

std::string_view name_of(scp_rail rail) {
  return rail == SCP_RAIL_SOCKET ? "the socket" : "the port";
}

// What a lost board means for its rail.
Error lost(Error error, scp_rail rail, bool kept) {
  if (kept) return std::move(error).during("{} stays on, as asked for a stick that may be writing", name_of(rail));
  return std::move(error)
      .during("it is not confirmed that {} is off; a board that hears nothing cuts it within 500 ms",
              name_of(rail))
      .advising("leave lid and stick as they are until the board shows its rails off");
}

}  // namespace

// Not stopped by anything but its deadlines.
asio::awaitable<Result<void>> PowerLease::switch_off(BoardClient::Inside& inside, scp_rail rail, bool kept) {
  co_await asio::this_coro::reset_cancellation_state(asio::disable_cancellation());
  const std::uint16_t type = rail == SCP_RAIL_SOCKET ? SCP_SOCKET_OFF : SCP_PORT_OFF;
  Error error(ErrorCode::internal, "not tried");
  bool answered = false;
  for (int i = 0; i < kOffTries && !inside.broken; ++i) {
    const auto answer = co_await inside.exchange(type, {}, kSwitchOff, false);
    answered = answer.has_value();
    if (answer && answer->status == SCP_OK) {
      if (rail == SCP_RAIL_PORT) inside.port_kept = false;
      co_return Result<void>();
    }
    error = answer ? error_of(answer->status, answer->detail) : answer.error();
    if (answer && answer->status != SCP_BUSY) break;
    if (answer) co_await inside.changed.wait(100ms);
  }
  // The stream brings no answer; the board may still hear what goes beside it. That cuts both rails, so not where one is to stay on.
  if (!answered && !inside.port_kept && co_await inside.cut_beside()) co_return Result<void>();
  if (inside.broken) error = lost(*inside.broken, rail, kept);
  co_return failure(std::move(error).during("switching {} off", name_of(rail)));
}

// One try; whatever it fails of, the rail is off afterwards.
asio::awaitable<Result<PowerLease>> PowerLease::switch_on(std::shared_ptr<BoardClient::Inside> inside,
                                                          scp_rail rail, Bytes payload, bool kept) {
  const std::uint16_t type = rail == SCP_RAIL_SOCKET ? SCP_SOCKET_ON : SCP_PORT_ON;
  // A session before this one may have left the rail on, or bleeding: then it is switched off first, once.
  for (bool again = true;; again = false) {
    inside->rail_loss[rail].reset();
    const auto answer = co_await inside->exchange(type, payload, kSwitchOn, true);
    if (answer && answer->status == SCP_OK) {
      const auto measured = protocol::decode_rail(answer->rest);
      if (measured && kept) inside->port_kept = true;
      if (measured) co_return PowerLease(std::move(inside), rail, kept, *measured);
    }
    const bool was_stopped = !answer && answer.error().code() == ErrorCode::interrupted;
    const auto off = co_await switch_off(*inside, rail, kept);
    if (!answer) co_return failure(was_stopped || off ? answer.error() : off.error());
    const bool left_over =
        answer->status == SCP_BUSY || (answer->status == SCP_REFUSED_RAIL && answer->detail > 0);
    if (left_over && !off) co_return failure(off.error());
    if (left_over && again) continue;
    if (answer->status == SCP_OK)
      co_return failure(ErrorCode::board_garbage, "the board does not say what the rail measures");
    if (answer->status == SCP_REFUSED_RAIL && !left_over)
      co_return failure(ErrorCode::needs_consent,
                        "the board asks for the chip's own ID, read at 1.8 V, or the user's word");
    co_return failure(error_of(answer->status, answer->detail));
  }
}

asio::awaitable<Result<PowerLease>> PowerLease::socket(BoardClient& board, Millivolts rail, std::uint16_t limit_mA,
                                                       SocketGround ground) {
  protocol::SocketOn request;
  request.rail = rail;
  request.limit_mA = limit_mA;
  request.ground = std::move(ground);
  auto lease = co_await switch_on(board.inside_, SCP_RAIL_SOCKET, protocol::encode(request), false);
  if (!lease) co_return failure(std::move(lease.error()).during("switching the socket to {}", rail));
  co_return std::move(lease);
}

asio::awaitable<Result<PowerLease>> PowerLease::port(BoardClient& board, std::uint16_t limit_mA,
                                                     std::uint16_t ramp_ms, bool data_lines, bool keep) {
  protocol::PortOn request;
  request.limit_mA = limit_mA;
  request.ramp_ms = ramp_ms;
  request.data_lines = data_lines;
  request.keep = keep;
  auto lease = co_await switch_on(board.inside_, SCP_RAIL_PORT, protocol::encode(request), keep);
  if (!lease) co_return failure(std::move(lease.error()).during("switching the port on"));
  co_return std::move(lease);
}

asio::awaitable<Result<void>> PowerLease::end_left_over_socket(BoardClient& board) {
  co_return co_await switch_off(*board.inside_, SCP_RAIL_SOCKET, false);
}

PowerLease::PowerLease(std::shared_ptr<BoardClient::Inside> inside, scp_rail rail, bool kept, Millivolts measured)
    : inside_(std::move(inside)), rail_(rail), kept_(kept), measured_(measured) {}

PowerLease::PowerLease(PowerLease&& other) noexcept = default;

PowerLease::~PowerLease() {
  if (inside_) inside_->send(rail_ == SCP_RAIL_SOCKET ? SCP_SOCKET_OFF : SCP_PORT_OFF, {});
}

asio::awaitable<Result<void>> PowerLease::power_down() {
  const auto inside = std::move(inside_);
  inside_.reset();
  if (!inside) co_return Result<void>();
  co_return co_await switch_off(*inside, rail_, kept_);
}

}  // namespace steadycell::board
