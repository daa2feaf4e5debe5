#include <fmt/format.h>

#include <algorithm>

#include "conform/duty.h"

// The switched port, with nothing plugged in: PROTOCOL.md, section 5.
namespace steadycell::conform {
namespace {

constexpr unsigned kLimit_mA = 100;

std::string port_not_on(const Reply& reply) {
  return "PORT_ON: " + to_text(reply);
}

struct Sample {
  double ms, mV, mA;
};
std::vector<Sample> samples(Bench& bench) {
  std::vector<Sample> out;
  std::vector<protocol::SupplySample> scratch;
  for (const Received& frame : bench.wire.received()) {
    if (frame.header.type != SCP_SAMPLES) continue;
    const auto decoded = protocol::decode_samples(frame.payload, scratch);
    if (!decoded || decoded->burst) continue;
    for (std::size_t i = 0; i < decoded->samples.size(); ++i)
      out.push_back({static_cast<double>(decoded->first_ns + i * decoded->interval_ns) * 1e-6,
                     static_cast<double>(decoded->samples[i].millivolts), decoded->samples[i].microamps * 1e-3});
  }
  return out;
}

asio::awaitable<Finding> ramps(Bench& bench) {
  constexpr unsigned kRamp_ms = 50;
  constexpr double kLow_mV = 4750, kHigh_mV = 5250;  // USB 2.0, section 7.2.2: VBUS at a high-power port
  const bool sampled =
      bench.board.averaged_interval.value > 0 && (co_await bench.supply_start(SCP_RAIL_PORT, 0)).is(SCP_OK);
  const Reply on = co_await bench.port_on(kLimit_mA, kRamp_ms);
  const auto rail = rail_of(on);
  if (!on.is(SCP_OK) || !rail) co_return passed_if(false, port_not_on(on));
  co_await bench.wire.sleep(50ms);
  (void)co_await bench.wire.ask(SCP_SUPPLY_STOP);
  std::string text = fmt::format("{} mV, answered after {:.0f} ms", rail->value, on.ms);
  bool good = rail->value >= kLow_mV && rail->value <= kHigh_mV && on.ms >= kRamp_ms && on.ms <= kRamp_ms + 100;
  std::optional<double> from, to;  // 10 % and 90 %
  for (const Sample& s : samples(bench)) {
    if (!from && s.mV >= 0.1 * rail->value) from = s.ms;
    if (!to && s.mV >= 0.9 * rail->value) to = s.ms;
  }
  if (!sampled || !from || !to)
    co_return passed_if(good && !sampled, text + (sampled ? "; no sample shows the rise" : ""),
                        Measured{static_cast<double>(rail->value), "mV", "4750 to 5250"});
  const double rise = *to - *from, expected = 0.8 * kRamp_ms;
  good = good && rise >= 0.7 * expected && rise <= 1.3 * expected;
  co_return passed_if(good, text + fmt::format(", rose from 10 to 90 % in {:.1f} ms", rise),
                      Measured{rise, "ms", fmt::format("{:.0f} to {:.0f}", 0.7 * expected, 1.3 * expected)});
}

asio::awaitable<Finding> port_bleeds(Bench& bench) {
  const Reply on = co_await bench.port_on();
  if (!on.is(SCP_OK)) co_return passed_if(false, port_not_on(on));
  const Reply off = co_await bench.wire.ask(SCP_PORT_OFF, {}, 3s);
  const auto rail = rail_of(off);
  if (!off.is(SCP_OK) || !rail) co_return passed_if(false, "PORT_OFF: " + to_text(off));
  co_return passed_if(rail->value < 100 && off.ms <= 2000,
                      fmt::format("{} mV left after {:.1f} ms", rail->value, off.ms),
                      Measured{off.ms, "ms", "at most 2000"});
}

asio::awaitable<Finding> port_guards(Bench& bench) {
  std::vector<std::string> wrong;
  const auto expect = [&](const char* name, const Reply& reply, scp_status status) {
    if (!reply.is(status)) wrong.push_back(fmt::format("{}: {}", name, to_text(reply)));
  };
  expect("5500 mV", co_await bench.wire.ask(SCP_PORT_ON, Payload().u16(5500).u16(100).u16(20).u8(0).u8(0).done()),
         SCP_BAD_REQUEST);
  expect("a limit of 901 mA", co_await bench.port_on(901), SCP_BAD_REQUEST);
  expect("no limit", co_await bench.port_on(0), SCP_BAD_REQUEST);
  expect("a ramp of 1001 ms", co_await bench.port_on(kLimit_mA, 1001), SCP_BAD_REQUEST);
  expect("an unknown flag", co_await bench.port_on(kLimit_mA, 20, 4), SCP_BAD_REQUEST);
  co_return all_right(5, wrong, "requests refused");
}

asio::awaitable<Finding> keeps(Bench& bench) {
  constexpr unsigned kKeep = 2;
  const Reply on = co_await bench.port_on(kLimit_mA, 20, kKeep);
  if (!on.is(SCP_OK)) co_return passed_if(false, port_not_on(on));
  bench.wire.beat(false);
  co_await bench.wire.sleep(1200ms);
  const auto state = co_await bench.state();
  co_return passed_if(state && state->port_on == 1, state && state->port_on == 1
                                                        ? "stands after 1.2 s of silence"
                                                        : "a silent host cut a port that was to be kept");
}

asio::awaitable<Finding> measures(Bench& bench) {
  constexpr unsigned kMost_mV = 1000, kEarly_us = 1000, kSettle_ms = 20;
  const auto ask = [&]() -> asio::awaitable<Reply> {
    co_return co_await bench.wire.ask(
        SCP_PORT_MEASURE,
        Payload().u8(SCP_LINE_SUPPLY).u8(0).u16(100).u16(kMost_mV).u16(kEarly_us).u16(kSettle_ms).done(), 5s);
  };
  const Reply on = co_await bench.port_on();
  if (!on.is(SCP_OK)) co_return passed_if(false, port_not_on(on));
  const Reply live = co_await ask();
  (void)co_await bench.wire.ask(SCP_PORT_OFF, {}, 3s);
  const Reply reply = co_await ask();
  if (!live.is(SCP_REFUSED_RAIL)) co_return passed_if(false, "on a live rail: " + to_text(live));
  if (!reply.is(SCP_OK)) co_return passed_if(false, "PORT_MEASURE: " + to_text(reply));
  const auto reading = protocol::decode_port_reading(reply.rest);
  if (!reading) co_return passed_if(false, reading.error().what());
  const double mV = reading->uV / 1000.0, uA = reading->nA / 1000.0,
               early_ms = static_cast<double>(reading->early.count()) / 1000.0;
  const bool good = mV >= -50 && mV <= kMost_mV * 1.05 && uA <= 105 && early_ms >= 1.0 && early_ms <= 5.0;
  co_return passed_if(good,
                      fmt::format("{:.1f} mV at {:.2f} uA, the early reading after {:.2f} ms", mV, uA, early_ms),
                      Measured{mV, "mV", fmt::format("at most {}", kMost_mV)});
}

constexpr Duty kPortDuties[] = {
    {"port_ramps", "the port rises on the ramp asked for, to 5 V", SCP_CAN_PORT, ramps},
    {"port_bleeds", "off means below 100 mV within 2 s, measured", SCP_CAN_PORT, port_bleeds},
    {"port_guards", "no other voltage, no limit above 900 mA", SCP_CAN_PORT, port_guards},
    {"port_keeps", "a port that is to be kept survives a silent host", SCP_CAN_PORT, keeps},
    {"port_measures", "lines are measured before power, never on a live rail", SCP_CAN_PORT | SCP_CAN_PORT_MEASURE,
     measures},
};

}  // namespace

std::span<const Duty> port_duties() {
  return kPortDuties;
}

}  // namespace steadycell::conform
