#include "measure/record.h"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/this_coro.hpp>
#include <boost/asio/thread_pool.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <algorithm>

#include "board/lease.h"

namespace steadycell::measure {
namespace {

using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;

constexpr Nanoseconds kAveraged(100'000);  // 10 kS/s
constexpr std::uint16_t kRamp_ms = 1;
constexpr auto kFlush = 200ms;             // how long samples may wait for the disk

class Recording {
 public:
  Recording(board::BoardClient& board, RecordOptions options, asio::any_io_executor executor, TraceWriter writer)
      : board_(board), options_(std::move(options)), executor_(std::move(executor)), writer_(std::move(writer)), disk_(1) {}

  asio::awaitable<Result<Recorded>> run() {
    const Nanoseconds interval = std::max(kAveraged, board_.info().averaged_interval);
    board_.on_event([this](const board::BoardEvent& event) { on_event(event); });
    const auto started = co_await board_.start_supply(SCP_RAIL_PORT, interval, Nanoseconds(0), 0ms, [this](const board::SampleFrame& frame) { on_samples(frame); });
    if (!started) co_return failure(started.error());
    co_await pause(options_.before);
    const auto measured = co_await power_and_wait();
    const auto stopped = co_await board_.stop_supply();
    if (stopped) result_.lost_samples = *stopped;
    board_.on_event({});
    flush_header();
    const auto flushed = co_await flush();
    if (!measured) co_return failure(measured.error());
    if (!flushed) co_return failure(flushed.error());
    const auto finished = co_await on_disk([this] { return writer_.finish(); });
    if (!finished) co_return failure(finished.error());
    if (result_.samples == 0) co_return failure(Error(ErrorCode::board_refused, "the board sent no samples").advising("check that it can measure supplies"));
    co_return std::move(result_);
  }

 private:
  asio::awaitable<void> pause(Clock::duration time) {
    asio::steady_timer timer(executor_);
    boost::system::error_code ignored;
    timer.expires_after(time);
    co_await timer.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
  }

  template <typename Work>
  asio::awaitable<Result<void>> on_disk(Work work) {
    co_return co_await asio::co_spawn(
        disk_, [&]() -> asio::awaitable<Result<void>> { co_return work(); }, asio::use_awaitable);
  }

  asio::awaitable<Result<void>> power_and_wait() {
    auto lease = co_await board::PowerLease::port(board_, options_.limit_mA, kRamp_ms, false, false);
    if (!lease) {
      // The limiter opened on the ramp: what was measured is the finding.
      if (lease.error().code() != ErrorCode::current_limit) co_return failure(lease.error());
      result_.tripped = true;
      co_await pause(100ms);
      co_return Result<void>();
    }
    const auto waited = co_await wait();
    const auto down = co_await lease->power_down();
    if (!waited) co_return waited;
    if (!down && !board_.lost()) co_return failure(down.error());
    co_return Result<void>();
  }

  asio::awaitable<Result<void>> wait() {
    const auto from = Clock::now();
    auto until = from + options_.length;
    while (Clock::now() < until) {
      if (options_.stop && options_.stop->load()) co_return failure(Error(ErrorCode::interrupted, "stopped on request").keeping("the trace so far is kept"));
      if (board_.lost()) co_return failure(ErrorCode::link_lost, "the board went away while recording");
      if (result_.tripped) until = std::min(until, Clock::now() + 100ms);  // a little of what follows, then the end
      co_await pause(kFlush / 2);
      flush_header();
      const auto flushed = co_await flush();
      if (!flushed) co_return flushed;
      const auto elapsed = std::chrono::duration_cast<std::chrono::milliseconds>(Clock::now() - from);
      const double left = std::chrono::duration<double>(until - Clock::now()).count();
      if (options_.progress)
        options_.progress({.stage = "recording", .unit = "ms", .done = static_cast<std::uint64_t>(std::min<std::int64_t>(elapsed.count(), options_.length.count())),
                           .total = static_cast<std::uint64_t>(options_.length.count()), .bytes = 0, .bytes_per_second = 0, .seconds_left = std::max(0.0, left)});
    }
    co_return Result<void>();
  }

  void on_event(const board::BoardEvent& event) {
    if (event.kind == SCP_EVENT_PORT_ON && !on_ns_) on_ns_ = event.board_ns;
    if (event.kind == SCP_EVENT_PORT_TRIP) {
      result_.tripped = true;
      add_event(event.board_ns, "trip");
    }
    if (event.kind == SCP_EVENT_PORT_ON) add_event(event.board_ns, "on");
  }

  // Times count from the first sample of the baseline.
  double seconds(std::uint64_t board_ns) const { return first_ns_ ? (static_cast<double>(board_ns) - static_cast<double>(*first_ns_)) * 1e-9 : 0; }
  void add_event(std::uint64_t board_ns, std::string text) {
    result_.events.push_back({seconds(board_ns), text});
    if (header_written_) text_ += fmt::format("# event: {:.6f} {}\n", seconds(board_ns), text);
  }

  void on_samples(const board::SampleFrame& frame) {
    if (frame.rail != SCP_RAIL_PORT || frame.burst) return;
    if (!first_ns_) first_ns_ = frame.first_ns;
    if (frame.dropped_before > 0) ++result_.gaps;  // the jump in time is the gap; nothing is filled in
    for (std::size_t i = 0; i < frame.samples.size(); ++i) {
      const board::SupplySample& from = frame.samples[i];
      supply::Sample sample;
      sample.time_s = seconds(frame.first_ns + i * frame.interval_ns);
      sample.mA = from.microamps * 1e-3;
      sample.volts = from.millivolts * 1e-3;
      if (from.saturated) saturation_mA_ = sample.mA;
      result_.peak_mA = std::max(result_.peak_mA, sample.mA);
      ++result_.samples;
      supply::append_sample(sample, false, samples_);
    }
  }

  // The header waits for the switch-on, whose time it tells.
  void flush_header() {
    if (!header_written_ && (on_ns_ || !samples_.empty())) {
      supply::TraceHeader header;
      header.kind = "averaged";
      header.rail = supply::Rail::vbus;
      header.limit_mA = options_.limit_mA;
      if (on_ns_ && first_ns_) header.t_on_s = seconds(*on_ns_);
      header.full_scale_mA = saturation_mA_;
      header.events = result_.events;
      text_ += fmt::format("# tool: {}\n# board: {}\n", options_.tool, board_.info().uuid);
      supply::append_header(header, false, text_);
      header_written_ = true;
    }
    if (header_written_) {
      text_ += samples_;
      samples_.clear();
    }
  }

  asio::awaitable<Result<void>> flush() {
    const std::string piece = std::exchange(text_, {});
    if (piece.empty()) co_return Result<void>();
    co_return co_await on_disk([this, &piece] { return writer_.append(piece); });
  }

  board::BoardClient& board_;
  RecordOptions options_;
  asio::any_io_executor executor_;
  TraceWriter writer_;
  asio::thread_pool disk_;  // the file is written here: the heartbeat must not wait for the disk
  Recorded result_;
  std::optional<std::uint64_t> first_ns_, on_ns_;
  std::optional<double> saturation_mA_;
  std::string samples_, text_;
  bool header_written_ = false;
};

}  // namespace

asio::awaitable<Result<Recorded>> record_supply(board::BoardClient& board, files::FileSystem& system, RecordOptions options) {
  const auto executor = co_await asio::this_coro::executor;
  if (!board.info().can_port || board.info().averaged_interval.value == 0) co_return failure(ErrorCode::board_refused, "this board measures no supply");
  auto writer = TraceWriter::create(system, options.path);
  if (!writer) co_return failure(writer.error());
  Recording recording(board, std::move(options), executor, std::move(*writer));
  co_return co_await recording.run();
}

}  // namespace steadycell::measure
