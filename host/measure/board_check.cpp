#include "measure/board_check.h"

#include <fmt/format.h>

#include <algorithm>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/this_coro.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <cmath>

#include "board/lease.h"
#include "capture/identify.h"
#include "contact/contact.h"
#include "measure/cold.h"

namespace steadycell::measure {
namespace {

using namespace std::chrono_literals;
using Outcome = CheckItem::Outcome;

constexpr double kRailTolerance = 0.05, kOhmTolerance = 0.03, kFaradTolerance = 0.10;
constexpr double kRarelyTheBoard = 0.15;  // a shunt or divider that far off is rare, a mistyped value is not (common practice, no source)
constexpr std::uint16_t kSocketLimit_mA = 20, kPortLimit_mA = 100, kPortRamp_ms = 20;
constexpr auto kRailRise = 20ms;  // within which a socket rail must stand (firmware_protocol/PROTOCOL.md, 5)
constexpr double kPortVolts = 5;
constexpr int kUndisturbedTries = 3;
constexpr int kSteady_mV = 20;  // between two walks over an open position
constexpr Nanoseconds kLoadAveraged(100'000);

bool near(double measured, double expected, double tolerance) { return std::abs(measured - expected) <= tolerance * expected; }

// Trouble with the electrics is what the check is for; trouble with the link ends it.
bool is_finding(const Error& error) {
  switch (error.code()) {
    case ErrorCode::current_limit:
    case ErrorCode::rail_failed:
    case ErrorCode::bleed_failed:
    case ErrorCode::lid_open:
    case ErrorCode::needs_consent:
      return true;
    default:
      return false;
  }
}

// What is surely a chip says nothing against the board, however it sits.
bool holds_a_chip(contact::Seating seating) {
  using enum contact::Seating;
  return seating == seated || seating == turned || seating == shifted_up || seating == shifted_down;
}

class BoardCheck {
 public:
  BoardCheck(board::BoardClient& board, BoardCheckOptions options, asio::any_io_executor executor)
      : board_(board), options_(options), executor_(std::move(executor)) {}

  asio::awaitable<Result<std::vector<CheckItem>>> run() {
    board_.on_event(
        [this](const board::BoardEvent& event) { host_was_silent_ = host_was_silent_ || event.kind == SCP_EVENT_HEARTBEAT_CUT; });
    auto done = co_await write_protect();
    if (done) done = co_await socket();
    if (done) done = co_await port();
    board_.on_event({});
    if (!done) co_return failure(done.error());
    co_return std::move(items_);
  }

 private:
  void add(std::string name, Outcome outcome, std::string text, json::Object values = {}) {
    items_.push_back({.name = std::move(name), .outcome = outcome, .text = std::move(text), .values = std::move(values)});
  }
  void judge(std::string name, bool good, std::string text, json::Object values = {}) {
    add(std::move(name), good ? Outcome::passed : Outcome::failed, std::move(text), std::move(values));
  }
  void leave_out(std::string name, std::string why) { add(std::move(name), Outcome::not_checked, std::move(why)); }

  // A rail that the board cut because this computer was too busy to be heard says nothing about the board: the item is
  // measured again.
  template <typename Item>
  asio::awaitable<Result<void>> undisturbed(Item item) {
    const auto before = static_cast<std::ptrdiff_t>(items_.size());
    for (int tries = 0; tries < kUndisturbedTries; ++tries) {
      host_was_silent_ = false;
      auto done = co_await item();
      if (!done || !host_was_silent_) co_return done;
      items_.erase(items_.begin() + before, items_.end());
    }
    co_return failure(Error(ErrorCode::board_timeout, "this computer was too busy: the board heard nothing from it and cut its rails")
                          .advising("end what else is running, then repeat the check"));
  }

  asio::awaitable<Result<void>> write_protect() {
    const auto state = co_await board_.state();
    if (!state) co_return failure(state.error());
    const bool low = state->wp_high == 0;
    judge("wp", low, low ? "WP# is low" : "WP# is high: do not read a chip on this board, check its strap");
    co_return Result<void>();
  }

  asio::awaitable<Result<void>> socket() {
    if (options_.reference_chip || !board_.info().can_contact) {
      const std::string why = options_.reference_chip ? "a reference chip is in the socket" : "this board measures no contacts";
      for (const char* name : {"socket_empty", "lanes", "rail_1v8", "rail_3v3"}) leave_out(name, why);
      co_return Result<void>();
    }
    const auto baseline = co_await capture::measure_contacts(board_);
    if (!baseline) co_return failure(baseline.error());
    const contact::Verdict verdict = contact::judge(*baseline);
    if (holds_a_chip(verdict.seating))
      co_return failure(Error(ErrorCode::wrong_usage, "a chip is in the socket: " + verdict.sentence)
                            .keeping("no report was filed")
                            .advising("take the chip out; or name its ID with --reference, if it is one you know to be good"));
    const bool empty = verdict.seating == contact::Seating::empty;
    judge("socket_empty", empty,
          empty ? "all positions open, no bridges, supply open" : "the socket is not empty, or not clean: " + verdict.sentence,
          {{"verdict", contact::to_text(verdict.seating)}});
    if (!empty) {
      for (const char* name : {"lanes", "rail_1v8", "rail_3v3"}) leave_out(name, "the socket must be empty for it");
      co_return Result<void>();
    }
    if (const auto done = co_await walk(*baseline); !done) co_return done;
    if (const auto done = co_await undisturbed([this] { return rail("rail_1v8", Millivolts(1800), SCP_GROUND_PROBE); }); !done)
      co_return done;
    if (options_.socket_3v3) co_return co_await undisturbed([this] { return rail("rail_3v3", Millivolts(3300), SCP_GROUND_USER_WORD); });
    leave_out("rail_3v3", "allow it with --supply-mV 3300");
    co_return Result<void>();
  }

  // Each position asked for alone must say what it said in the row of all of them.
  asio::awaitable<Result<void>> walk(const contact::Readings& baseline) {
    json::Array wrong;
    for (unsigned p = 1; p <= contact::kPositions; ++p) {
      const auto alone = co_await board_.contacts(static_cast<std::uint8_t>(p), 1);
      if (!alone) co_return failure(alone.error());
      const contact::Reading& first = baseline.positions[p - 1];
      const board::ContactReading& again = alone->front();
      if (std::abs(first.plus_mV - again.plus_mV) > kSteady_mV || std::abs(first.minus_mV - again.minus_mV) > kSteady_mV ||
          again.bridged_with != first.bridged_with)
        wrong.emplace_back(p);
    }
    const bool good = wrong.empty();
    std::string text = good ? "each position alone reads as among all" : "positions that read differently alone: " + json::text_of(wrong);
    judge("lanes", good, std::move(text), {{"positions", std::move(wrong)}});
    co_return Result<void>();
  }

  asio::awaitable<Result<void>> rail(std::string name, Millivolts set, scp_ground ground) {
    board::SocketGround why;
    why.kind = ground;
    auto lease = co_await board::PowerLease::socket(board_, set, kSocketLimit_mA, std::move(why));
    if (!lease) {
      if (!is_finding(lease.error())) co_return failure(lease.error());
      add(std::move(name), Outcome::failed, lease.error().what(), {{"expected_mV", set.value}});
      co_return Result<void>();
    }
    // What the board answered with may be a rail that had just come within its tolerance and was still rising.
    co_await pause(kRailRise);
    const auto standing = co_await board_.state();
    if (!standing) co_return failure(standing.error());
    const double measured = standing->socket_mv;
    const auto down = co_await lease->power_down();
    if (!down && !is_finding(down.error())) co_return failure(down.error());
    const bool good = near(measured, set.value, kRailTolerance) && down;
    judge(std::move(name), good,
          down ? fmt::format("{} mV of {} mV, and off again below 100 mV", measured, set.value) : down.error().what(),
          {{"measured_mV", measured}, {"expected_mV", set.value}});
    co_return Result<void>();
  }

  asio::awaitable<Result<void>> port() {
    if (!options_.load || !board_.info().can_port || board_.info().averaged_interval.value == 0) {
      const std::string why =
          options_.load ? "this board measures no supply" : "name the load on the port with --load-ohm; without it the port stays off";
      leave_out("port_load", why);
      leave_out("port_trip", why);
      co_return Result<void>();
    }
    // Whatever is plugged in gets power next: a patient that was left there must not.
    if (board_.info().can_port_measure) {
      const auto measured = co_await measure_supply_ohm(board_);
      if (!measured) co_return failure(measured.error());
      const double ohm = *measured, wanted = options_.load->ohm;
      constexpr double kOtherThing = 5;
      if (ohm < wanted / kOtherThing || ohm > wanted * kOtherThing) {
        add("port_load", Outcome::failed,
            fmt::format("not powered: the port reads {:.0f} ohm before power, the load named has {:.0f}: plug the load in, not a stick; or "
                        "correct --load-ohm, if a load is what was plugged in", ohm, wanted),
            {{"expected_ohm", wanted}, {"measured_ohm", std::isfinite(ohm) ? json::Value(ohm) : json::Value(nullptr)}});
        leave_out("port_trip", "something else than the load is on the port");
        co_return Result<void>();
      }
    }
    if (const auto done = co_await undisturbed([this] { return known_load(*options_.load); }); !done) co_return done;
    co_return co_await undisturbed([this] { return trip(*options_.load); });
  }

  asio::awaitable<Result<void>> known_load(KnownLoad load) {
    std::vector<LoadSample> samples;
    const Nanoseconds averaged = std::max(kLoadAveraged, board_.info().averaged_interval);
    const auto started = co_await board_.start_supply(SCP_RAIL_PORT, averaged, Nanoseconds(0), 0ms, [&](const board::SampleFrame& frame) {
      for (std::size_t i = 0; !frame.burst && i < frame.samples.size(); ++i)
        samples.push_back({.seconds = static_cast<double>(frame.first_ns + i * frame.interval_ns) * 1e-9,
                           .mA = frame.samples[i].microamps * 1e-3,
                           .volts = frame.samples[i].millivolts * 1e-3});
    });
    if (!started) co_return failure(started.error());
    co_await pause(20ms);
    auto lease = co_await board::PowerLease::port(board_, kPortLimit_mA, kPortRamp_ms, false, false);
    Result<void> down;
    if (lease) {
      co_await pause(150ms);
      down = co_await lease->power_down();
    }
    const auto stopped = co_await board_.stop_supply();
    if (!stopped) co_return failure(stopped.error());
    if (!lease && !is_finding(lease.error())) co_return failure(lease.error());
    if (!down && !is_finding(down.error())) co_return failure(down.error());
    json::Object values{{"expected_ohm", load.ohm}};
    if (load.microfarad > 0) values["expected_uF"] = load.microfarad;
    const auto measured = lease && down ? measure_load(samples, kPortVolts) : std::nullopt;
    if (!measured) {
      add("port_load", Outcome::failed,
          !lease  ? lease.error().what()
          : !down ? down.error().what()
                  : "the port did not stand long enough to be measured",
          std::move(values));
      co_return Result<void>();
    }
    values["measured_ohm"] = measured->ohm;
    values["measured_uF"] = measured->microfarad;
    values["port_V"] = measured->volts;
    const bool ohm = near(measured->ohm, load.ohm, kOhmTolerance),
               farad = load.microfarad == 0 || near(measured->microfarad, load.microfarad, kFaradTolerance);
    std::string text = fmt::format("{:.1f} ohm of {:.1f}", measured->ohm, load.ohm);
    if (load.microfarad > 0) text += fmt::format(", {:.2f} uF of {:.2f}", measured->microfarad, load.microfarad);
    text += fmt::format(", at {:.2f} V", measured->volts);
    if (!near(measured->ohm, load.ohm, kRarelyTheBoard))
      text += ": so far off, the value given to --load-ohm or the resistor is more often wrong than the board; look at both, then check "
              "again";
    judge("port_load", ohm && farad && near(measured->volts, kPortVolts, kRailTolerance), std::move(text), std::move(values));
    co_return Result<void>();
  }

  // Half of what the load draws as limit: the limiter must latch, by itself and for good.
  asio::awaitable<Result<void>> trip(KnownLoad load) {
    constexpr double kLeastToTrip_mA = 10;
    const double load_mA = kPortVolts / load.ohm * 1000;
    if (load_mA < kLeastToTrip_mA) {
      leave_out("port_trip", "this load draws too little for it: use 500 ohm or less");
      co_return Result<void>();
    }
    const auto limit = static_cast<std::uint16_t>(load_mA / 2);
    auto lease = co_await board::PowerLease::port(board_, limit, kPortRamp_ms, false, false);
    bool tripped = false;
    if (!lease) {
      if (!is_finding(lease.error())) co_return failure(lease.error());
      tripped = lease.error().code() == ErrorCode::current_limit;
    } else {
      co_await pause(100ms);
      const auto state = co_await board_.state();
      if (!state) co_return failure(state.error());
      tripped = state->port_on == 0;
      const auto down = co_await lease->power_down();
      if (!down && !is_finding(down.error())) co_return failure(down.error());
    }
    const auto state = co_await board_.state();
    if (!state) co_return failure(state.error());
    const bool stays_off = state->port_on == 0 && state->port_mv < 100;
    judge("port_trip", tripped && stays_off,
          tripped && stays_off ? fmt::format("the limiter cut the load at {} mA and stayed off", limit)
          : tripped            ? fmt::format("the port stands at {} mV after the trip", state->port_mv)
                               : fmt::format("a limit of {} mA did not trip at {:.1f} mA: do not power a stick on this board", limit,
                                             kPortVolts / load.ohm * 1000),
          {{"limit_mA", limit}, {"load_mA", kPortVolts / load.ohm * 1000}});
    co_return Result<void>();
  }

  asio::awaitable<void> pause(std::chrono::milliseconds time) {
    asio::steady_timer timer(executor_);
    boost::system::error_code ignored;
    timer.expires_after(time);
    co_await timer.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
  }

  board::BoardClient& board_;
  BoardCheckOptions options_;
  asio::any_io_executor executor_;
  std::vector<CheckItem> items_;
  bool host_was_silent_ = false;  // since the item began
};

}  // namespace

std::string_view to_text(CheckItem::Outcome outcome) {
  return outcome == Outcome::passed ? "passed" : outcome == Outcome::failed ? "failed" : "not_checked";
}

std::optional<MeasuredLoad> measure_load(const std::vector<LoadSample>& samples, double volts) {
  // The plateau: what stands within 2 % of the highest voltage, of which the first half may still be charging.
  double top = 0;
  for (const LoadSample& s : samples) top = std::max(top, s.volts);
  if (top < volts / 2) return std::nullopt;
  const auto stands = [&](const LoadSample& s) { return s.volts >= 0.98 * top; };
  const auto first = std::find_if(samples.begin(), samples.end(), stands);
  const auto last = std::find_if_not(first, samples.end(), stands);
  constexpr double kShortest_s = 0.010;
  if (last == first || (last - 1)->seconds - first->seconds < kShortest_s) return std::nullopt;
  const auto middle = first + (last - first) / 2;
  // The zero of the current, well before the rise: an offset of 1 mA is usual.
  const auto rises = std::find_if(samples.begin(), samples.end(), [&](const LoadSample& s) { return s.volts > 0.02 * top; });
  const auto quiet = samples.begin() + (rises - samples.begin()) / 2;
  double zero_mA = 0;
  for (auto s = samples.begin(); s != quiet; ++s) zero_mA += s->mA / static_cast<double>(quiet - samples.begin());
  MeasuredLoad out;
  const auto n = static_cast<double>(last - middle);
  for (auto s = middle; s != last; ++s) {
    out.volts += s->volts / n;
    out.mA += (s->mA - zero_mA) / n;
  }
  if (out.mA <= 0) return std::nullopt;
  out.ohm = out.volts / (out.mA * 1e-3);
  double charge_uC = 0;  // beyond V / R, up to the middle of the plateau; a gap carries the sample in front of it
  for (auto s = samples.begin(); s != middle; ++s) {
    const double seconds = (s + 1)->seconds - s->seconds;
    charge_uC += ((s->mA - zero_mA) * 1e-3 - s->volts / out.ohm) * seconds * 1e6;
  }
  out.microfarad = std::max(0.0, charge_uC / out.volts);
  return out;
}

asio::awaitable<Result<std::vector<CheckItem>>> check_board(board::BoardClient& board, BoardCheckOptions options) {
  const auto executor = co_await asio::this_coro::executor;
  BoardCheck check(board, options, executor);
  co_return co_await check.run();
}

}  // namespace steadycell::measure
