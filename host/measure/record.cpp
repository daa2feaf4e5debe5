#include "measure/record.h"

#include <algorithm>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/this_coro.hpp>
#include <boost/asio/thread_pool.hpp>
#include <boost/asio/use_awaitable.hpp>

#include "board/lease.h"
#include "supply/diagnosis.h"

namespace steadycell::measure {
namespace {

using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;

constexpr Nanoseconds kFastestAveraged(100'000);  // 10 kS/s
constexpr Nanoseconds kBurst(5'000);       // 200 kS/s
constexpr auto kBurstLength = 60ms;        // around the switch-on
constexpr std::size_t kMaxBurst = 20'000;
constexpr std::uint16_t kRamp_ms = 1;
constexpr auto kFlush = 100ms;      // how long samples may wait for the disk
constexpr auto kSync = 1s;          // and to be on the medium: what a power cut may take
constexpr auto kBurstOver = 200ms;  // without a burst sample: the burst is whole
constexpr auto kAfterTrip = 100ms;  // a little of what follows, then the end
constexpr auto kLook = 250ms;       // between two looks for a boot loop
constexpr double kLooked_s = 16;    // what the analysis keeps bin by bin; a loop that shows later is none of a boot
constexpr double kSequence_s = 45e-3;  // of a power-up: a restart is one when so much of it was seen

class Recording {
 public:
  Recording(board::BoardClient& board, RecordOptions options, asio::any_io_executor executor, TraceWriter writer,
            std::optional<TraceWriter> burst_writer)
      : board_(board),
        options_(std::move(options)),
        executor_(std::move(executor)),
        writer_(std::move(writer)),
        burst_writer_(std::move(burst_writer)),
        disk_(1),
        analyzer_(known()) {}

  asio::awaitable<Result<Recorded>> run() {
    board_.on_event([this](const board::BoardEvent& event) { on_event(event); });
    const auto measured = co_await measure();
    board_.on_event({});
    if (!powered_) co_return failure(measured ? Error(ErrorCode::internal, "not powered") : measured.error());
    // What was measured with the power on is kept, whatever ended it.
    const auto kept = co_await write_rest();
    if (!kept) co_return failure(kept.error());
    if (!measured) co_return failure(Error(measured.error()).keeping("the trace so far is kept"));
    if (result_.samples == 0)
      co_return failure(Error(ErrorCode::board_refused, "the board sent no samples")
                            .advising("check that it can measure supplies"));
    co_return std::move(result_);
  }

  // False: nothing was powered, so there is nothing to keep.
  bool powered() const { return powered_; }

 private:
  asio::awaitable<Result<void>> measure() {
    const Nanoseconds averaged = std::max(kFastestAveraged, board_.info().averaged_interval);
    const Nanoseconds burst = std::max(kBurst, board_.info().burst_interval);
    const auto started = co_await board_.start_supply(
        SCP_RAIL_PORT, averaged, burst_writer_ ? burst : Nanoseconds(0), burst_writer_ ? kBurstLength : 0ms,
        [this](const board::SampleFrame& frame) { on_samples(frame); });
    if (!started) co_return failure(started.error());
    co_await pause(options_.before);
    if (options_.before_power) {
      const auto allowed = co_await on_disk([this] { return options_.before_power(); });
      if (!allowed) {
        (void)co_await board_.stop_supply();
        co_return failure(allowed.error());
      }
    }
    const auto measured = co_await power_and_wait();
    const auto stopped = co_await board_.stop_supply();
    if (stopped) result_.lost_samples = *stopped;
    powered_ = powered_ || on_ns_ || rise_s_;  // whatever the switch-on ended with: the board or the samples say that it was on
    co_return measured;
  }

  asio::awaitable<Result<void>> write_rest() {
    // A host that asks for high speed is answered by a chirp, which the current shows (USB 2.0, 7.1.7.5).
    std::optional<double> chirp_s;
    (void)co_await on_disk([&]() -> Result<void> {
      const supply::Features seen = supply::Analyzer(analyzer_).finish();
      if (seen.t_on_s && seen.chirp_s) chirp_s = *seen.t_on_s + *seen.chirp_s;
      return {};
    });
    if (chirp_s && first_ns_) add_event(*first_ns_ + static_cast<std::uint64_t>(*chirp_s * 1e9), "enumeration");
    put_header();
    text_ += supply::kEndHere;
    const auto flushed = co_await flush();
    if (!flushed) co_return failure(flushed.error());
    const auto finished = co_await on_disk([this] { return writer_.finish(); });
    if (!finished || !burst_writer_) co_return finished;
    burst_samples_ += supply::kEndHere;
    const auto burst = co_await flush_burst();
    if (!burst) co_return failure(burst.error());
    co_return co_await on_disk([this] { return burst_writer_->finish(); });
  }

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
      powered_ = true;
      result_.tripped = true;
      co_await pause(kAfterTrip);
      co_return Result<void>();
    }
    powered_ = true;
    const auto waited = co_await wait();
    if (!result_.tripped && !cut_) add_event(last_sample_ns_, "off");  // samples of the fall may follow: it was ours
    const auto down = co_await lease->power_down();
    if (!waited) co_return waited;
    co_return down;
  }

  asio::awaitable<Result<void>> wait() {
    const auto from = Clock::now();
    auto until = from + options_.length;
    while (Clock::now() < until) {
      if (options_.stop && options_.stop->load()) {
        add_event(last_sample_ns_, "ended: stopped by the user");
        co_return failure(ErrorCode::interrupted, "stopped on request");
      }
      if (board_.lost()) {
        add_event(last_sample_ns_, "ended: the board went away");
        co_return failure(ErrorCode::link_lost, "the board went away while recording");
      }
      if (cut_) co_return failure(was_cut());
      if (result_.tripped) until = std::min<Clock::time_point>(until, Clock::now() + kAfterTrip);
      co_await pause(kFlush);
      put_header();
      auto flushed = co_await flush();
      if (flushed && burst_writer_ && !burst_samples_.empty() && Clock::now() - burst_came_ > kBurstOver) flushed = co_await flush_burst();
      if (!flushed) co_return flushed;
      if (co_await shows_boot_loop()) {
        result_.boot_loop = true;
        add_event(last_sample_ns_, "ended: boot loop, second period seen");
        co_return Result<void>();
      }
      const auto elapsed = std::chrono::duration_cast<std::chrono::milliseconds>(Clock::now() - from);
      const double left = std::chrono::duration<double>(until - Clock::now()).count();
      if (options_.progress)
        options_.progress(
            {.stage = "recording",
             .unit = "ms",
             .done = static_cast<std::uint64_t>(std::min<std::int64_t>(elapsed.count(), options_.length.count())),
             .total = static_cast<std::uint64_t>(options_.length.count()),
             .bytes = 0,
             .bytes_per_second = 0,
             .seconds_left = std::max(0.0, left)});
    }
    if (cut_) co_return failure(was_cut());
    co_return Result<void>();
  }

  // Two whole restarts, and nothing that explains them better.
  asio::awaitable<bool> shows_boot_loop() {
    if (!options_.end_at_boot_loop || result_.tripped || Clock::now() - looked_ < kLook) co_return false;
    if (!rise_s_ || seconds(last_sample_ns_) > *rise_s_ + kLooked_s) co_return false;
    looked_ = Clock::now();
    supply::Analyzer so_far = analyzer_;
    bool loop = false;
    (void)co_await on_disk([&]() -> Result<void> {
      const supply::Features seen = so_far.finish();
      const auto whole = [&](double restart_s) { return seen.t_on_s && *seen.t_on_s + restart_s + kSequence_s < seen.duration_s; };
      if (std::count_if(seen.restarts_s.begin(), seen.restarts_s.end(), whole) < 2) return {};
      supply::Settings settings;
      settings.rail = supply::Rail::vbus;
      settings.limit_mA = options_.limit_mA;
      loop = supply::diagnose(seen, known(), settings, nullptr, nullptr).front().fault == supply::Fault::boot_loop;
      return {};
    });
    co_return loop;
  }

  supply::TraceHeader known() const {
    supply::TraceHeader header;
    header.kind = "averaged";
    header.rail = supply::Rail::vbus;
    header.limit_mA = options_.limit_mA;
    header.cold = options_.cold;
    header.cold_twin = options_.cold_twin;
    return header;
  }

  static Error was_cut() {
    return board::cut_for_silence("the port")
        .advising("let this computer do less, check the link (with USB the cable), and record again");
  }

  void on_event(const board::BoardEvent& event) {
    if (event.kind == SCP_EVENT_PORT_ON || event.kind == SCP_EVENT_PORT_TRIP) {
      // Both are told at the end of the ramp and 1 ms (PROTOCOL.md, section 5), unless the trip comes later.
      constexpr std::uint64_t kTold = (kRamp_ms + 1) * std::uint64_t{1'000'000};
      if (!on_ns_) {
        on_ns_ = event.board_ns - kTold;
        add_event(*on_ns_, "on");
      }
    }
    if (event.kind == SCP_EVENT_PORT_TRIP) {
      result_.tripped = true;
      add_event(event.board_ns, "trip");
    }
    if (event.kind == SCP_EVENT_HEARTBEAT_CUT && event.detail == SCP_RAIL_PORT) {
      cut_ = true;
      add_event(event.board_ns, "cut by the board: host silent");
    }
  }

  // Times count from the first sample of the baseline.
  double seconds(std::uint64_t board_ns) const {
    return first_ns_ ? (static_cast<double>(board_ns) - static_cast<double>(*first_ns_)) * 1e-9 : 0;
  }
  void add_event(std::uint64_t board_ns, std::string text) {
    result_.events.push_back({seconds(board_ns), text});
    if (header_written_) text_ += fmt::format("# event: {:.6f} {}\n", seconds(board_ns), text);
  }

  void on_samples(const board::SampleFrame& frame) {
    if (frame.rail != SCP_RAIL_PORT) return;
    if (frame.burst) return on_burst(frame);
    if (!first_ns_) first_ns_ = frame.first_ns;
    if (frame.dropped_before > 0 ||
        frame.frames_lost_before) {  // the jump in time is the gap; nothing is filled in
      ++result_.gaps;
      samples_ += fmt::format("# gap: {:.6f} in front of this time samples were lost\n", seconds(frame.first_ns));
    }
    for (std::size_t i = 0; i < frame.samples.size(); ++i) {
      const supply::Sample sample = sample_of(frame, i);
      if (frame.samples[i].saturated) saturation_mA_ = sample.mA;
      last_sample_ns_ = frame.first_ns + i * frame.interval_ns;
      // At the limit for the first time behind the ramp; a limiter in regulation sits a little below what it was set to.
      constexpr double kAtLimit = 0.97, kBehindRamp = (kRamp_ms + 1) * 1e-3;
      if (!limited_ && rise_s_ && sample.time_s > *rise_s_ + kBehindRamp && sample.mA >= kAtLimit * options_.limit_mA) {
        limited_ = true;
        add_event(last_sample_ns_, "limit");
      }
      result_.peak_mA = std::max(result_.peak_mA, sample.mA);
      // The board tells of a rail when it stands; when it began to rise, the samples know.
      constexpr double kRisingVolts = 0.1, kRising_mA = 3;
      if (!rise_s_ && (sample.volts > kRisingVolts || sample.mA > kRising_mA)) rise_s_ = sample.time_s;
      ++result_.samples;
      supply::append_sample(sample, false, samples_);
      analyzer_.add(sample);
    }
  }

  // A fixed span at a fixed rate: small enough to keep until the end.
  void on_burst(const board::SampleFrame& frame) {
    burst_came_ = Clock::now();
    for (std::size_t i = 0; i < frame.samples.size() && burst_count_ < kMaxBurst; ++i, ++burst_count_)
      supply::append_sample(sample_of(frame, i), false, burst_samples_);
  }

  supply::Sample sample_of(const board::SampleFrame& frame, std::size_t i) const {
    supply::Sample sample;
    sample.time_s = seconds(frame.first_ns + i * frame.interval_ns);
    sample.mA = frame.samples[i].microamps * 1e-3;
    sample.volts = frame.samples[i].millivolts * 1e-3;
    return sample;
  }

  std::string header_text(std::string kind) const {
    supply::TraceHeader header = known();
    header.kind = std::move(kind);
    header.t_on_s = rise_s_;
    header.full_scale_mA = saturation_mA_;
    header.events = result_.events;
    std::string text = fmt::format("# tool: {}\n# board: {}\n{}", options_.tool, board_.info().uuid, supply::kEndFollows);
    supply::append_header(header, false, text);
    return text;
  }

  // The header waits until the rail stands or has failed, since it tells when it began to rise.
  void put_header() {
    if (!header_written_) text_ += header_text("averaged");
    header_written_ = true;
    text_ += samples_;
    samples_.clear();
  }

  asio::awaitable<Result<void>> flush() {
    const std::string piece = std::exchange(text_, {});
    if (piece.empty()) co_return Result<void>();
    const bool sync = Clock::now() - synced_ >= kSync;
    if (sync) synced_ = Clock::now();
    co_return co_await on_disk([this, &piece, sync] {
      const auto written = writer_.append(piece);
      return written && sync ? writer_.sync() : written;
    });
  }
  asio::awaitable<Result<void>> flush_burst() {
    const std::string piece = (burst_header_written_ ? std::string() : header_text("point")) + std::exchange(burst_samples_, {});
    burst_header_written_ = true;
    co_return co_await on_disk([this, &piece] {
      const auto written = burst_writer_->append(piece);
      return written ? burst_writer_->sync() : written;
    });
  }

  board::BoardClient& board_;
  RecordOptions options_;
  asio::any_io_executor executor_;
  TraceWriter writer_;
  std::optional<TraceWriter> burst_writer_;
  asio::thread_pool disk_;  // the file is written here: the heartbeat must not wait for the disk
  supply::Analyzer analyzer_;  // of what came so far
  Clock::time_point looked_{}, synced_{}, burst_came_{};
  Recorded result_;
  std::optional<std::uint64_t> first_ns_, on_ns_;
  std::optional<double> rise_s_;  // when current or voltage began to rise: what the samples themselves tell
  std::optional<double> saturation_mA_;
  std::string samples_, text_, burst_samples_;
  std::size_t burst_count_ = 0;
  std::uint64_t last_sample_ns_ = 0;
  bool header_written_ = false, burst_header_written_ = false, powered_ = false, cut_ = false, limited_ = false;
};

}  // namespace

asio::awaitable<Result<Recorded>> record_supply(board::BoardClient& board, files::FileSystem& system,
                                                RecordOptions options) {
  const auto executor = co_await asio::this_coro::executor;
  if (!board.info().can_port || board.info().averaged_interval.value == 0)
    co_return failure(ErrorCode::board_refused, "this board measures no supply");
  auto writer = TraceWriter::create(system, options.path);
  if (!writer) co_return failure(writer.error());
  std::optional<TraceWriter> burst_writer;
  if (!options.burst_path.empty()) {
    auto made = TraceWriter::create(system, options.burst_path);
    if (!made) {
      (void)system.remove_file(options.path);
      co_return failure(made.error());
    }
    burst_writer.emplace(std::move(*made));
  }
  const std::string path = options.path, burst_path = options.burst_path;
  Recording recording(board, std::move(options), executor, std::move(*writer), std::move(burst_writer));
  auto recorded = co_await recording.run();
  if (!recording.powered()) {  // the same command may be given again
    (void)system.remove_file(path);
    if (!burst_path.empty()) (void)system.remove_file(burst_path);
  }
  co_return recorded;
}

}  // namespace steadycell::measure
