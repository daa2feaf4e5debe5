#include "conform/duty.h"

#include <fmt/format.h>
#include <fmt/ranges.h>

namespace steadycell::conform {

asio::awaitable<std::optional<scp_board_state>> Bench::state() {
  const Reply reply = co_await wire.ask(SCP_BOARD_STATE);
  if (!reply.is(SCP_OK)) co_return std::nullopt;
  const auto decoded = protocol::decode_board_state(reply.rest);
  co_return decoded ? std::optional(*decoded) : std::nullopt;
}

asio::awaitable<Reply> Bench::load(unsigned slot, Bytes operations) {
  Bytes payload = Payload().u8(slot).u8(0).u16(operations.size()).done();
  payload.insert(payload.end(), operations.begin(), operations.end());
  co_return co_await wire.ask(SCP_PROGRAM_LOAD, std::move(payload));
}

std::uint32_t Bench::start_run(unsigned slot, Rows rows) {
  return wire.send(SCP_PROGRAM_RUN, Payload()
                                        .u8(slot)
                                        .u8(0)
                                        .u16(0)
                                        .u32(rows.pass)
                                        .u32(rows.first)
                                        .u32(rows.rows)
                                        .u32(rows.stride)
                                        .u32(rows.groups)
                                        .done());
}

asio::awaitable<Reply> Bench::socket_on() {
  constexpr unsigned kLimit_mA = 50;
  const scp_ground ground = options.socket_3v3 ? SCP_GROUND_USER_WORD : SCP_GROUND_PROBE;
  co_return co_await wire.ask(SCP_SOCKET_ON,
                              Payload().u16(socket_mv()).u16(kLimit_mA).u8(ground).u8(0).u8(0).done());
}

asio::awaitable<Reply> Bench::socket_awake() {
  constexpr unsigned
      kResetSlot = 3,
      kReset_ns = 5'000'000;  // ONFI: the first RESET may take 1 ms; 5 ms are what the board itself gives it
  const Reply on = co_await socket_on();
  if (!on.is(SCP_OK)) co_return on;
  const Bytes reset = Payload().u8(SCP_OP_COMMAND).u8(0xFF).u8(SCP_OP_DELAY).u32(kReset_ns).done();
  const Reply loaded = co_await load(kResetSlot, reset);
  if (!loaded.is(SCP_OK)) co_return loaded;
  const std::uint32_t run = start_run(kResetSlot, {});
  const Reply started = co_await wire.answer(run);
  (void)co_await wire.until([&] { return run_end(run).has_value(); }, 1s);
  co_return started;
}

asio::awaitable<Reply> Bench::port_on(unsigned limit_mA, unsigned ramp_ms, unsigned flags) {
  co_return co_await wire.ask(SCP_PORT_ON, Payload().u16(5000).u16(limit_mA).u16(ramp_ms).u8(flags).u8(0).done());
}

asio::awaitable<Reply> Bench::supply_start(scp_rail rail, unsigned burst_ms) {
  co_return co_await wire.ask(SCP_SUPPLY_START, Payload()
                                                    .u8(rail)
                                                    .u8(0)
                                                    .u16(burst_ms)
                                                    .u32(static_cast<std::uint64_t>(board.averaged_interval.value))
                                                    .u32(static_cast<std::uint64_t>(board.burst_interval.value))
                                                    .done());
}

std::vector<protocol::PageData> Bench::pages(std::uint32_t id) const {
  std::vector<protocol::PageData> out;
  for (const Received& frame : wire.received()) {
    if (frame.header.type != SCP_PAGE_DATA || frame.header.request_id != id) continue;
    if (const auto page = protocol::decode_page_data(frame.payload)) out.push_back(*page);
  }
  return out;
}

std::optional<protocol::RunEnd> Bench::run_end(std::uint32_t id) const {
  for (const Received& frame : wire.received()) {
    if (frame.header.type != SCP_RUN_END || frame.header.request_id != id) continue;
    const auto end = protocol::decode_run_end(frame.payload);
    if (end) return *end;
  }
  return std::nullopt;
}

Finding passed_if(bool good, std::string text, std::optional<Measured> measured) {
  Finding finding;
  finding.outcome = good ? Finding::Outcome::passed : Finding::Outcome::failed;
  finding.text = std::move(text);
  finding.measured = std::move(measured);
  return finding;
}

Finding not_applicable(std::string why) {
  Finding finding;
  finding.outcome = Finding::Outcome::not_applicable;
  finding.text = std::move(why);
  return finding;
}

Finding all_right(std::size_t asked, const std::vector<std::string>& wrong, const std::string& of_what) {
  const std::size_t right = asked - wrong.size();
  const std::size_t shown = std::min<std::size_t>(wrong.size(), 8);
  std::string text = fmt::format("{} of {} {}", right, asked, of_what);
  if (!wrong.empty())
    text += fmt::format("; not: {}{}",
                        fmt::join(wrong.begin(), wrong.begin() + static_cast<std::ptrdiff_t>(shown), ", "),
                        wrong.size() > shown ? " and more" : "");
  return passed_if(wrong.empty(), std::move(text),
                   Measured{static_cast<double>(right), "", fmt::format("{}", asked)});
}

Bytes read_id(std::uint32_t bytes) {
  return Payload().u8(SCP_OP_COMMAND).u8(0x90).u8(SCP_OP_ADDRESS).u8(0).u8(SCP_OP_READ).u32(bytes).done();
}

Bytes read_page(std::uint32_t bytes) {
  constexpr unsigned kWait_us = 5000;
  return Payload()
      .u8(SCP_OP_COMMAND)
      .u8(0x00)
      .u8(SCP_OP_ADDRESS)
      .u8(0)
      .u8(SCP_OP_ADDRESS)
      .u8(0)
      .u8(SCP_OP_ROW)
      .u8(SCP_OP_COMMAND)
      .u8(0x30)
      .u8(SCP_OP_WAIT_RB)
      .u32(kWait_us)
      .u8(SCP_OP_READ)
      .u32(bytes)
      .done();
}

std::optional<Millivolts> rail_of(const Reply& reply) {
  const auto mv = protocol::decode_rail(reply.rest);
  return reply.came && mv ? std::optional(*mv) : std::nullopt;
}

}  // namespace steadycell::conform
