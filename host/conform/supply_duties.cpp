#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "conform/duty.h"

// Samples: PROTOCOL.md, sections 4 and 7.
namespace steadycell::conform {
namespace {

// One kind of samples of the stream, laid end to end.
struct Stream {
  std::uint64_t samples = 0, dropped = 0;
  std::uint64_t first_ns = 0, end_ns = 0;
  double first_mV = 0, last_mV = 0;
  std::string wrong;  // the first step in time that the dropped samples do not explain
};

Stream stream(Bench& bench, bool burst) {
  Stream out;
  std::vector<protocol::SupplySample> scratch;
  for (const Received& frame : bench.wire.received()) {
    if (frame.header.type != SCP_SAMPLES) continue;
    const auto decoded = protocol::decode_samples(frame.payload, scratch);
    if (!decoded || decoded->burst != burst || decoded->samples.empty()) continue;
    out.dropped += decoded->dropped_before;
    if (out.samples == 0) {
      out.first_ns = decoded->first_ns;
      out.first_mV = decoded->samples.front().millivolts;
    } else {
      const auto expected =
          static_cast<std::int64_t>(out.end_ns + std::uint64_t{decoded->dropped_before} * decoded->interval_ns);
      const std::int64_t off = static_cast<std::int64_t>(decoded->first_ns) - expected;
      if (std::abs(off) > decoded->interval_ns / 2 && out.wrong.empty())
        out.wrong = fmt::format("behind {} samples the time jumps by {} us that {} dropped samples do not explain",
                                out.samples, off / 1000, decoded->dropped_before);
    }
    out.samples += decoded->samples.size();
    out.end_ns = decoded->first_ns + decoded->samples.size() * decoded->interval_ns;
    out.last_mV = decoded->samples.back().millivolts;
  }
  return out;
}

scp_rail a_rail(const Bench& bench) {
  return bench.board.can_port ? SCP_RAIL_PORT : SCP_RAIL_SOCKET;
}

std::optional<Finding> no_sampling(const Bench& bench) {
  if (bench.board.averaged_interval.value > 0) return std::nullopt;
  return not_applicable("this board measures no supply");
}

asio::awaitable<Finding> rate(Bench& bench) {
  if (auto none = no_sampling(bench)) co_return *none;
  constexpr double kLeast_kS = 10;
  const Reply started = co_await bench.supply_start(a_rail(bench), 0);
  if (!started.is(SCP_OK)) co_return passed_if(false, "SUPPLY_START: " + to_text(started));
  const auto from = Clock::now();
  co_await bench.wire.sleep(1000ms);
  const Reply stopped = co_await bench.wire.ask(SCP_SUPPLY_STOP);
  const double seconds = std::chrono::duration<double>(Clock::now() - from).count();
  const Stream got = stream(bench, false);
  const double kS = static_cast<double>(got.samples + got.dropped) / seconds / 1000;
  const double offered = 1e6 / static_cast<double>(bench.board.averaged_interval.value);
  const bool near =
      std::abs(kS - offered) <= 0.05 * offered;  // two clocks, and the way of the first and last frame
  co_return passed_if(stopped.is(SCP_OK) && got.wrong.empty() && near && offered >= kLeast_kS * 0.999,
                      !got.wrong.empty()
                          ? got.wrong
                          : fmt::format("{} samples in {:.3f} s, {} dropped; HELLO offers {:.1f} kS/s",
                                        got.samples, seconds, got.dropped, offered),
                      Measured{kS, "kS/s", fmt::format("{:.1f}, and at least {}", offered, kLeast_kS)});
}

asio::awaitable<Finding> burst(Bench& bench) {
  if (auto none = no_sampling(bench)) co_return *none;
  if (bench.board.burst_interval.value == 0) co_return not_applicable("this board takes no bursts");
  constexpr unsigned kBurst_ms = 8, kRamp_ms = 2;
  constexpr double kLeast_kS = 200;
  const scp_rail rail = a_rail(bench);
  const Reply started = co_await bench.supply_start(rail, kBurst_ms);
  if (!started.is(SCP_OK)) co_return passed_if(false, "SUPPLY_START: " + to_text(started));
  co_await bench.wire.sleep(30ms);
  Reply on;
  if (rail == SCP_RAIL_PORT)
    on = co_await bench.port_on(100, kRamp_ms);
  else
    on = co_await bench.socket_on();
  co_await bench.wire.sleep(100ms);
  (void)co_await bench.wire.ask(SCP_SUPPLY_STOP);
  if (!on.is(SCP_OK)) co_return passed_if(false, "switching on: " + to_text(on));
  const Stream got = stream(bench, true);
  if (got.samples == 0) co_return passed_if(false, "no burst came");
  const double ms = static_cast<double>(got.end_ns - got.first_ns) * 1e-6,
               kS = static_cast<double>(got.samples + got.dropped) / ms;
  const double volts = rail == SCP_RAIL_PORT ? 5000 : bench.socket_mv();
  const bool around = got.first_mV < 0.1 * volts && got.last_mV > 0.9 * volts;
  co_return passed_if(kS >= kLeast_kS * 0.999 && ms >= 0.9 * kBurst_ms && around && got.wrong.empty(),
                      !got.wrong.empty()
                          ? got.wrong
                          : fmt::format("{} samples in {:.2f} ms, from {:.0f} to {:.0f} mV{}", got.samples, ms,
                                        got.first_mV, got.last_mV, around ? "" : ": not around the switch-on"),
                      Measured{kS, "kS/s", fmt::format("at least {}", kLeast_kS)});
}

// A full pipe makes the board lose samples; every one must be counted, and the time must jump by just as many.
asio::awaitable<Finding> gap(Bench& bench) {
  if (auto none = no_sampling(bench)) co_return *none;
  constexpr std::uint32_t kPrefix = 20;
  const std::uint32_t page_bytes =
      std::min<std::uint32_t>(bench.board.max_payload - kPrefix, 16384);  // fills a pipe soon
  bool with_pages = bench.board.can_socket && (co_await bench.socket_awake()).is(SCP_OK);
  if (with_pages) with_pages = (co_await bench.load(0, read_id(page_bytes))).is(SCP_OK);
  const Reply started = co_await bench.supply_start(a_rail(bench), 0);
  if (!started.is(SCP_OK)) co_return passed_if(false, "SUPPLY_START: " + to_text(started));
  co_await bench.wire.sleep(50ms);
  if (with_pages) (void)bench.start_run(0, {.rows = 1'000'000});
  bench.wire.listen(false);
  co_await bench.wire.sleep(2000ms);
  bench.wire.listen(true);
  (void)co_await bench.wire.ask(SCP_SOCKET_OFF, {}, 10s);  // ends the run, if there is one
  co_await bench.wire.sleep(50ms);
  const Reply stopped = co_await bench.wire.ask(SCP_SUPPLY_STOP, {}, 5s);
  const auto total = protocol::decode_samples_dropped(stopped.rest);
  const Stream got = stream(bench, false);
  if (!stopped.is(SCP_OK) || !total) co_return passed_if(false, "SUPPLY_STOP: " + to_text(stopped));
  const Measured measured{static_cast<double>(*total), "samples", "each one told"};
  if (!got.wrong.empty()) co_return passed_if(false, got.wrong, measured);
  if (*total == 0 && got.dropped == 0)
    co_return not_applicable("the pipe took 2 s of samples and pages: nothing was lost");
  const bool told = bench.wire.event(SCP_EVENT_SAMPLES_DROPPED).has_value();
  co_return passed_if(got.dropped == *total && told,
                      fmt::format("{} samples dropped by SUPPLY_STOP, {} by the frames{}", *total, got.dropped,
                                  told ? "" : "; no event 9"),
                      measured);
}

asio::awaitable<Finding> sample_guards(Bench& bench) {
  if (auto none = no_sampling(bench)) co_return *none;
  std::vector<std::string> wrong;
  const auto expect = [&](const char* name, const Reply& reply, scp_status status) {
    if (!reply.is(status)) wrong.push_back(fmt::format("{}: {}", name, to_text(reply)));
  };
  const auto half = static_cast<std::uint64_t>(bench.board.averaged_interval.value) / 2;
  expect(
      "twice as fast as offered",
      co_await bench.wire.ask(SCP_SUPPLY_START, Payload().u8(SCP_RAIL_PORT).u8(0).u16(0).u32(half).u32(0).done()),
      SCP_BAD_REQUEST);
  expect("rail 2",
         co_await bench.wire.ask(SCP_SUPPLY_START, Payload().u8(2).u8(0).u16(0).u32(half * 4).u32(0).done()),
         SCP_BAD_REQUEST);
  expect("a stream", co_await bench.supply_start(a_rail(bench), 0), SCP_OK);
  expect("a second one", co_await bench.supply_start(a_rail(bench), 0), SCP_BUSY);
  expect("its end", co_await bench.wire.ask(SCP_SUPPLY_STOP), SCP_OK);
  co_return all_right(5, wrong, "answers are right");
}

constexpr Duty kSupplyDuties[] = {
    {"sample_rate", "averaged samples at the rate of HELLO, without a break", 0, rate},
    {"sample_burst", "a burst around the switch-on, at 200 kS/s or more", SCP_CAN_PORT, burst},
    {"sample_gap", "what is lost is counted, and a gap stays a gap", 0, gap},
    {"sample_guards", "one stream at a time, no faster than offered", 0, sample_guards},
};

}  // namespace

std::span<const Duty> supply_duties() {
  return kSupplyDuties;
}

}  // namespace steadycell::conform
