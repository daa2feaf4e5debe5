#include <fmt/format.h>

#include <cstdlib>

#include "conform/duty.h"

// The socket's rail, lid, straps and contacts: PROTOCOL.md, sections 5 and 8.
namespace steadycell::conform {
namespace {

constexpr double kHeartbeat_ms = 500;
constexpr double kHeartbeatSlack_ms = 50;  // the event's way here
constexpr double kTooEarly_ms = 300;       // a host beats every 100 ms and may be late twice

std::string socket_not_on(const Reply& reply) {
  return fmt::format("SOCKET_ON: {}", to_text(reply));
}

asio::awaitable<Finding> wp_low(Bench& bench) {
  const auto state = co_await bench.state();
  if (!state) co_return passed_if(false, "BOARD_STATE is not answered");
  co_return passed_if(state->wp_high == 0,
                      state->wp_high == 0 ? "low" : "WP# is high: check its strap before any chip");
}

asio::awaitable<Finding> rises_to(Bench& bench, unsigned mV, scp_ground ground) {
  constexpr double kRise_ms = 20, kTolerance = 0.05;
  const Reply on = co_await bench.wire.ask(SCP_SOCKET_ON, Payload().u16(mV).u16(50).u8(ground).u8(0).u8(0).done());
  const auto rail = rail_of(on);
  if (!on.is(SCP_OK) || !rail) co_return passed_if(false, socket_not_on(on));
  const auto state = co_await bench.state();
  const bool near = std::abs(rail->value - static_cast<int>(mV)) <= mV * kTolerance;
  const bool told =
      co_await bench.wire.until([&] { return bench.wire.event(SCP_EVENT_SOCKET_ON).has_value(); }, 200ms);
  const double limit = kRise_ms + 30;  // the way there and back
  co_return passed_if(
      near && on.ms <= limit && state && state->socket_on == 1 && told,
      fmt::format("stands at {} mV after {:.1f} ms (at most {}){}{}", rail->value, on.ms, limit,
                  told ? "" : "; no event 5", state && state->socket_on == 1 ? "" : "; BOARD_STATE says off"),
      Measured{static_cast<double>(rail->value), "mV",
               fmt::format("{:.0f} to {:.0f}", mV * (1 - kTolerance), mV * (1 + kTolerance))});
}

asio::awaitable<Finding> rises_1v8(Bench& bench) {
  return rises_to(bench, 1800, SCP_GROUND_PROBE);
}

asio::awaitable<Finding> rises_3v3(Bench& bench) {
  if (!bench.options.socket_3v3) co_return not_applicable("allow it with --supply-mV 3300");
  const auto before = co_await bench.state();
  Finding finding = co_await rises_to(bench, 3300, SCP_GROUND_USER_WORD);
  const auto after = co_await bench.state();
  if (finding.outcome == Finding::Outcome::passed &&
      (!before || !after || after->consents != before->consents + 1))
    co_return passed_if(false, "the user's word was not counted", finding.measured);
  co_return finding;
}

asio::awaitable<Finding> socket_guards(Bench& bench) {
  std::vector<std::string> wrong;
  const auto expect = [&](const char* name, const Reply& reply, scp_status status) {
    if (!reply.is(status)) wrong.push_back(fmt::format("{}: {}", name, to_text(reply)));
  };
  const auto on = [&](unsigned mV, unsigned mA, unsigned ground, Bytes id) -> asio::awaitable<Reply> {
    Bytes payload = Payload().u16(mV).u16(mA).u8(ground).u8(0).u8(static_cast<unsigned>(id.size())).done();
    payload.insert(payload.end(), id.begin(), id.end());
    co_return co_await bench.wire.ask(SCP_SOCKET_ON, std::move(payload));
  };
  expect("2500 mV", co_await on(2500, 50, SCP_GROUND_PROBE, {}), SCP_BAD_REQUEST);
  expect("a limit of 501 mA", co_await on(1800, 501, SCP_GROUND_PROBE, {}), SCP_BAD_REQUEST);
  expect("no limit", co_await on(1800, 0, SCP_GROUND_PROBE, {}), SCP_BAD_REQUEST);
  expect("3300 mV as a probe", co_await on(3300, 50, SCP_GROUND_PROBE, {}), SCP_REFUSED_RAIL);
  expect("3300 mV for an ID that nobody read",
         co_await on(3300, 50, SCP_GROUND_CHIP_ANSWER, Payload().u8(0x12).u8(0x34).done()), SCP_REFUSED_RAIL);
  co_return all_right(5, wrong, "requests refused");
}

// At 1.8 V a page read needs trust, and trust needs the ID that the board itself read.
asio::awaitable<Finding> locked_at_1v8(Bench& bench) {
  const Reply on =
      co_await bench.wire.ask(SCP_SOCKET_ON, Payload().u16(1800).u16(50).u8(SCP_GROUND_PROBE).u8(0).u8(0).done());
  if (!on.is(SCP_OK)) co_return passed_if(false, socket_not_on(on));
  std::vector<std::string> wrong;
  const auto expect = [&](const char* name, const Reply& reply, scp_status status) {
    if (!reply.is(status)) wrong.push_back(fmt::format("{}: {}", name, to_text(reply)));
  };
  expect("loading a page read", co_await bench.load(0, read_page(512)), SCP_OK);
  expect("running it", co_await bench.wire.answer(bench.start_run(0, {})), SCP_REFUSED_RAIL);
  expect("trust for an ID that nobody read",
         co_await bench.wire.ask(SCP_SOCKET_TRUST, Payload().u8(2).u8(0x12).u8(0x34).done()), SCP_REFUSED_RAIL);
  const Reply again = co_await bench.socket_on();
  if (!again.is(SCP_REFUSED_RAIL) && !again.is(SCP_BUSY))
    wrong.push_back("switching on what is on: " + to_text(again));
  co_return all_right(4, wrong, "answers are right");
}

asio::awaitable<Finding> socket_bleeds(Bench& bench) {
  constexpr int kBled_mV = 100;
  constexpr double kBleed_ms = 2000;
  const Reply on = co_await bench.socket_on();
  if (!on.is(SCP_OK)) co_return passed_if(false, socket_not_on(on));
  const Reply off = co_await bench.wire.ask(SCP_SOCKET_OFF, {}, 3s);
  const auto rail = rail_of(off);
  if (!off.is(SCP_OK) || !rail)
    co_return passed_if(
        false, "SOCKET_OFF: " + to_text(off) + ": what is above 100 mV could harm a chip that is put in",
        rail ? std::optional(Measured{static_cast<double>(rail->value), "mV", "below 100"}) : std::nullopt);
  const auto state = co_await bench.state();
  const bool told =
      co_await bench.wire.until([&] { return bench.wire.event(SCP_EVENT_SOCKET_OFF).has_value(); }, 200ms);
  const bool low = rail->value < kBled_mV && state && state->socket_mv < kBled_mV && state->socket_on == 0;
  co_return passed_if(low && told && off.ms <= kBleed_ms,
                      fmt::format("{} mV left after {:.1f} ms{}", rail->value, off.ms, told ? "" : "; no event 6"),
                      Measured{off.ms, "ms", "at most 2000"});
}

asio::awaitable<Finding> heartbeat_keeps(Bench& bench) {
  const Reply on = co_await bench.socket_on();
  if (!on.is(SCP_OK)) co_return passed_if(false, socket_not_on(on));
  constexpr auto kWhile = 1500ms;
  const bool cut =
      co_await bench.wire.until([&] { return bench.wire.event(SCP_EVENT_HEARTBEAT_CUT).has_value(); }, kWhile);
  const auto state = co_await bench.state();
  co_return passed_if(!cut && state && state->socket_on == 1, cut ? "cut although a heartbeat came every 100 ms"
                                                                  : "stands for 1.5 s of heartbeats every 100 ms");
}

// From the last frame of the host to the board's event.
asio::awaitable<Finding> silence(Bench& bench, scp_rail rail) {
  bench.wire.forget();
  bench.wire.beat(false);
  (void)co_await bench.state();  // the last word
  const auto last = bench.wire.last_sent();
  const auto longest = std::chrono::milliseconds(2000);
  const bool told =
      co_await bench.wire.until([&] { return bench.wire.event(SCP_EVENT_HEARTBEAT_CUT).has_value(); }, longest);
  const double ms = std::chrono::duration<double, std::milli>(Clock::now() - last).count();
  bench.wire.beat(true);
  const auto state = co_await bench.state();
  const Measured measured{ms, "ms", fmt::format("{} to {}", kTooEarly_ms, kHeartbeat_ms + kHeartbeatSlack_ms)};
  if (!state) co_return passed_if(false, "BOARD_STATE is not answered", measured);
  const bool on = rail == SCP_RAIL_SOCKET ? state->socket_on == 1 : state->port_on == 1;
  if (on)
    co_return passed_if(
        false, fmt::format("a silent host does not cut the rail: it still stands after {:.0f} ms", ms), measured);
  if (!told) co_return passed_if(false, "the rail went, but without event 1", measured);
  co_return passed_if(ms >= kTooEarly_ms && ms <= kHeartbeat_ms + kHeartbeatSlack_ms,
                      fmt::format("cut {:.0f} ms after the host's last frame", ms), measured);
}

asio::awaitable<Finding> heartbeat_cut(Bench& bench) {
  const Reply on = co_await bench.socket_on();
  if (!on.is(SCP_OK)) co_return passed_if(false, socket_not_on(on));
  co_return co_await silence(bench, SCP_RAIL_SOCKET);
}

asio::awaitable<Finding> port_heartbeat_cut(Bench& bench) {
  const Reply on = co_await bench.port_on();
  if (!on.is(SCP_OK)) co_return passed_if(false, "PORT_ON: " + to_text(on));
  co_return co_await silence(bench, SCP_RAIL_PORT);
}

asio::awaitable<Finding> lid(Bench& bench) {
  if (bench.options.lid_seconds == 0) co_return not_applicable("give --lid-seconds N and open the lid when told");
  const Reply on = co_await bench.socket_on();
  if (!on.is(SCP_OK)) co_return passed_if(false, socket_not_on(on));
  if (bench.options.note)
    bench.options.note(fmt::format("open the lid of the socket now, within {} s", bench.options.lid_seconds));
  const bool opened = co_await bench.wire.until([&] { return bench.wire.event(SCP_EVENT_LID_OPENED).has_value(); },
                                                std::chrono::seconds(bench.options.lid_seconds));
  const auto state = co_await bench.state();
  if (!state) co_return passed_if(false, "BOARD_STATE is not answered");
  if (!opened && state->lid_open == 0) co_return not_applicable("the lid was not opened in time");
  if (state->socket_on == 1) co_return passed_if(false, "the lid is open and the rail still stands");
  const Reply refused = co_await bench.socket_on();
  co_return passed_if(opened && refused.is(SCP_LID_OPEN),
                      fmt::format("cut{}; switching on with it open: {}",
                                  opened ? ", and told" : " without event 2", to_text(refused)));
}

asio::awaitable<Finding> contacts(Bench& bench) {
  constexpr int kCompliance_mV = 1500;
  const Reply reply =
      co_await bench.wire.ask(SCP_CONTACT_MEASURE, Payload().u8(1).u8(SCP_CONTACT_RAIL).done(), 6s);
  if (!reply.is(SCP_OK)) co_return passed_if(false, "CONTACT_MEASURE: " + to_text(reply));
  const auto readings = protocol::decode_contacts({.first = 1, .count = SCP_CONTACT_RAIL}, reply.rest);
  if (!readings) co_return passed_if(false, readings.error().what());
  unsigned open = 0, beyond = 0;
  for (const protocol::ContactReading& r : *readings) {
    open += r.plus_mV >= kCompliance_mV - 100 && r.minus_mV <= -kCompliance_mV + 100 ? 1 : 0;
    beyond += r.plus_mV > kCompliance_mV || r.minus_mV < -kCompliance_mV || r.bridged_with > 48 ? 1 : 0;
  }
  co_return passed_if(
      beyond == 0,
      fmt::format("49 positions in {:.0f} ms, {} of them open, {} out of range", reply.ms, open, beyond),
      Measured{reply.ms, "ms", "at most 5000"});
}

asio::awaitable<Finding> contacts_guarded(Bench& bench) {
  const Reply on = co_await bench.socket_on();
  if (!on.is(SCP_OK)) co_return passed_if(false, socket_not_on(on));
  const Reply live = co_await bench.wire.ask(SCP_CONTACT_MEASURE, Payload().u8(1).u8(48).done());
  std::vector<std::string> wrong;
  if (!live.is(SCP_REFUSED_RAIL)) wrong.push_back("with the rail on: " + to_text(live));
  const Reply none = co_await bench.wire.ask(SCP_CONTACT_MEASURE, Payload().u8(50).u8(1).done());
  if (!none.is(SCP_BAD_REQUEST)) wrong.push_back("position 50: " + to_text(none));
  co_return all_right(2, wrong, "measurements refused");
}

constexpr Duty kSocketDuties[] = {
    {"wp_low", "WP# is low without any help", SCP_CAN_SOCKET, wp_low},
    {"contacts", "all positions are measured within 5 s", SCP_CAN_CONTACT, contacts},
    {"contacts_guarded", "no test current on a live rail", SCP_CAN_CONTACT | SCP_CAN_SOCKET, contacts_guarded},
    {"socket_1v8", "1.8 V within 5 % and 20 ms", SCP_CAN_SOCKET, rises_1v8},
    {"socket_3v3", "3.3 V on the user's word, counted", SCP_CAN_SOCKET, rises_3v3},
    {"socket_guards", "no other voltage, no other limit, no 3.3 V without a reason", SCP_CAN_SOCKET, socket_guards},
    {"socket_locked", "at 1.8 V no page is read before the chip is trusted", SCP_CAN_SOCKET, locked_at_1v8},
    {"socket_bleeds", "off means below 100 mV within 2 s, measured", SCP_CAN_SOCKET, socket_bleeds},
    {"heartbeat_keeps", "a host that is heard keeps the rail", SCP_CAN_SOCKET, heartbeat_keeps},
    {"heartbeat_cut", "a silent host loses the socket's rail after 500 ms", SCP_CAN_SOCKET, heartbeat_cut},
    {"port_heartbeat_cut", "and the port's, unless it is kept", SCP_CAN_PORT, port_heartbeat_cut},
    {"lid", "a lid opened live cuts the rail", SCP_CAN_SOCKET, lid},
};

}  // namespace

std::span<const Duty> socket_duties() {
  return kSocketDuties;
}

}  // namespace steadycell::conform
