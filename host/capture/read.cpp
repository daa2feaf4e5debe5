#include "capture/read.h"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/this_coro.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <time.h>

#include <algorithm>
#include <chrono>
#include <utility>

#include "base/text.h"
#include "capture/held.h"
#include "capture/proofs.h"
#include "capture/room.h"
#include "capture/same_chip.h"
#include "capture/unit_sink.h"
#include "files/atomic.h"
#include "passes/layout.h"
#include "passes/without_bytes.h"

namespace steadycell::capture {
namespace {

// What the calling thread has used of a processor.
double thread_seconds() {
  timespec used{};
  ::clock_gettime(CLOCK_THREAD_CPUTIME_ID, &used);
  return static_cast<double>(used.tv_sec) + static_cast<double>(used.tv_nsec) * 1e-9;
}

using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;

constexpr auto kRestartWindow = 60s;
constexpr std::size_t kMostRestarts = 3;  // of the board within that window: then the job stops

class Reading {
 public:
  Reading(board::BoardClient& board, files::FileSystem& system, ReadOptions options, asio::any_io_executor executor)
      : board_(board), system_(system), options_(std::move(options)), executor_(std::move(executor)), writer_thread_(1) {}

  asio::awaitable<Result<ReadResult>> run() {
    const auto there = system_.exists(options_.folder);
    if (!there) co_return failure(there.error());
    // An existing capture is opened before any power: a wrong folder costs the chip nothing.
    if (*there) {
      auto held = nothing_to_read();
      if (!held) co_return failure(held.error());
      if (*held) co_return std::move(**held);
      const auto free = system_.free_bytes(options_.folder);  // before the journal's room is taken of it
      if (!free) co_return failure(free.error());
      auto opened = passes::CaptureWriter::open(system_, options_.folder, passes::WriterOptions{.tool = options_.tool, .clock = nullptr});
      if (!opened) co_return failure(with_room(opened.error()));
      writer_.emplace(std::move(*opened));
      if (const auto same = compare_board(writer_->head()); !same) co_return failure(co_await closing(same.error()));
      const auto room = files::compare_room(options_.folder, *free, room_needed(writer_->head(), writer_->contents()));
      if (!room) co_return failure(co_await closing(room.error()));
      going_on_ = true;
      if (writer_->contents().end_lost) add_note(lost_end());
      const auto without = without_bytes(writer_->reader());
      if (!without) co_return failure(co_await closing(without.error()));
      result_.units_without_bytes = units_of(*without);
      if (!without->empty()) add_note(note_on(*without, options_.folder));
      auto witnesses = pick_witnesses(writer_->reader());
      if (!witnesses) co_return failure(witnesses.error());
      witnesses_ = std::move(*witnesses);
    } else {
      const auto place = files::check_free(system_, options_.folder);
      if (!place) co_return failure(Error(place.error()).keeping("the chip got no power"));
    }
    restarts_seen_ = board_.stats().restarts;
    recoveries_told_ = board_.stats().recoveries;
    for (;;) {
      const auto done = co_await power_and_read();
      if (done) break;
      const auto again = co_await goes_on_after_restart(done.error());
      if (!again) co_return failure(with_room(co_await closing(again.error())));
      if (!*again) co_return failure(with_room(co_await closing(done.error())));
    }
    const auto closed = co_await on_writer([&]() -> Result<void> {
      const auto head = writer_->finish({{"why", "done"}});
      if (!head) return failure(head.error());
      result_.journal_head = *head;
      return {};
    });
    if (!closed) co_return failure(keeping(closed.error()));
    writer_thread_.join();
    co_return std::move(result_);
  }

 private:
  asio::awaitable<Result<void>> power_and_read() {
    IdentifyOptions identify;
    identify.consent = options_.consent;
    identify.map = options_.map;
    auto powered = co_await power_and_identify(board_, identify);
    if (!powered) co_return failure(powered.error());
    result_.found = std::move(powered->found);
    const auto done = co_await read_powered();
    const auto down = co_await powered->lease.power_down();
    if (!done) co_return done;
    if (!down && !board_.lost()) co_return failure(down.error());
    co_return Result<void>();
  }

  // A firmware that started anew has switched the chip off: it is powered and proven as at the beginning, and the first
  // missing unit is next. Restarts that come fast one behind the other are the board's fault to mend.
  asio::awaitable<Result<bool>> goes_on_after_restart(const Error& error) {
    const std::uint64_t restarts = board_.stats().restarts;
    if (restarts == restarts_seen_ || board_.lost()) co_return false;
    restarts_seen_ = restarts;
    const auto now = Clock::now();
    restarted_at_.push_back(now);
    std::erase_if(restarted_at_, [&](Clock::time_point at) { return now - at > kRestartWindow; });
    if (restarted_at_.size() >= kMostRestarts) co_return false;
    if (!writer_) co_return true;
    const auto noted = co_await on_writer([&] { return writer_->note({{"event", "restart"}, {"why", error.what()}}); });
    if (!noted) co_return failure(noted.error());
    going_on_ = true;
    auto witnesses = pick_witnesses(writer_->reader());
    if (!witnesses) co_return failure(witnesses.error());
    witnesses_ = std::move(*witnesses);
    add_note(fmt::format("{}; the chip was powered anew and read on from the first missing block", error.what()));
    co_return true;
  }

  Error keeping(Error error) {
    if (!writer_) return error;
    // Who failed may know better what is safe.
    if (error.kept().empty())
      error = Error(error).keeping(fmt::format("{} safe in {}", counted(writer_->acknowledged(), "unit"), options_.folder));
    if (error.code() != ErrorCode::interrupted) return error;
    return std::move(error).advising("run the same command again: it goes on at the first block that is missing");
  }

  // The journal ends with why the reading did. Where even that cannot be written, the capture stays as after a kill.
  asio::awaitable<Error> closing(Error error) {
    if (writer_) (void)co_await on_writer([&]() -> Result<void> {
      const auto head = writer_->finish({{"why", printable(error.text())}});
      return head ? Result<void>() : failure(head.error());
    });
    Error kept = keeping(std::move(error));
    co_return kept;
  }

  // The answer where the capture already holds all that was asked for: then nothing gets power, and nothing is written.
  Result<std::optional<ReadResult>> nothing_to_read() const {
    auto reader = passes::CaptureReader::open(system_, options_.folder);
    if (!reader) return failure(reader.error());
    if (const auto possible = check_origin(reader->head(), options_.folder); !possible) return failure(possible.error());
    const NumberRange blocks = options_.blocks.value_or(NumberRange{0, reader->head().geometry.blocks - 1});
    if (!holds_all(*reader, blocks, options_.passes)) return std::nullopt;
    if (const auto same = compare_board(reader->head()); !same) return failure(same.error());
    const auto without = without_bytes(*reader);
    if (!without) return failure(without.error());
    return held_already(*reader, blocks, options_.passes, options_.folder, *without);
  }

  // What the capture holds of what is asked for, and has lost the bytes of.
  Result<std::vector<passes::WithoutBytes>> without_bytes(passes::CaptureReader& reader) const {
    const NumberRange blocks = options_.blocks.value_or(NumberRange{0, reader.head().geometry.blocks - 1});
    return units_without_bytes(system_, options_.folder, reader, blocks, options_.passes);
  }

  // What the same command still needs. A range beyond the chip is refused elsewhere.
  std::vector<files::RoomPart> room_needed(const passes::CaptureHead& head, const passes::Contents& contents) const {
    NumberRange blocks = options_.blocks.value_or(NumberRange{0, head.geometry.blocks - 1});
    blocks.last = std::min(blocks.last, head.geometry.blocks - 1);
    return room_for(head, contents, blocks, options_.passes);
  }

  // Where the disk filled up: how much the rest needs, once the journal has given its room back.
  Error with_room(Error error) const {
    if (error.code() != ErrorCode::storage_full) return error;
    const auto free = system_.free_bytes(options_.folder);
    if (!free) return error;
    std::optional<passes::CaptureReader> reader;
    if (!writer_) {
      auto opened = passes::CaptureReader::open(system_, options_.folder);
      if (!opened) return error;
      reader.emplace(std::move(*opened));
    }
    const passes::CaptureHead& head = writer_ ? writer_->head() : reader->head();
    const passes::Contents& contents = writer_ ? writer_->contents() : reader->contents();
    const std::string kept = error.kept();
    return files::no_room(error.what(), options_.folder, *free, room_needed(head, contents)).keeping(kept);
  }

  std::string lost_end() const {
    return fmt::format(
        "the journal of {} lost its end: what it no longer names is read again, and its old bytes are kept; steadycell capture verify "
        "tells more",
        printable(options_.folder));
  }

  // Fixture boards differ in rails and timing, and a board that answers in place of another is more often a slip than a wish.
  Result<void> compare_board(const passes::CaptureHead& head) const {
    if (options_.another_board || head.board_uuid.empty() || head.board_uuid == board_.info().uuid) return {};
    return failure(Error(ErrorCode::mismatched_capture,
                         fmt::format("this is board {}; the capture was begun on board {}", board_.info().uuid, head.board_uuid))
                       .keeping("what the capture holds is as it was")
                       .advising("connect the board it was begun on, or repeat with --another-board if this one is meant"));
  }

  // Runs `work` on the writer's thread: it may wait for the disk, and the heartbeat must not.
  template <typename Work>
  asio::awaitable<Result<void>> on_writer(Work work) {
    co_return co_await asio::co_spawn(
        writer_thread_, [&]() -> asio::awaitable<Result<void>> { co_return work(); }, asio::use_awaitable);
  }

  asio::awaitable<Result<void>> read_powered() {
    const Geometry& geometry = result_.found.targets[0].chip.geometry;
    const auto ranged = set_range(geometry);
    if (!ranged) co_return ranged;
    if (writer_) {
      const auto same = compare_identity(writer_->head(), result_.found);
      if (!same) co_return same;
    }
    auto proven = co_await prove(board_, result_.found, {result_.blocks.first}, fastest_mode());
    if (!proven) co_return failure(proven.error());
    proven_ = std::move(*proven);
    for (std::string& note : proven_.notes) add_note(std::move(note));
    if (writer_) {
      const auto same = co_await compare_pages(board_, geometry, proven_, witnesses_);
      if (!same) co_return same;
      if (writer_->head().board_uuid != board_.info().uuid)
        add_note(fmt::format("the capture was begun on board {}, this part is read on board {}", writer_->head().board_uuid,
                             board_.info().uuid));
      if (writer_->head().timing != fmt::format("mode {}", proven_.timing_mode))
        add_note(fmt::format("the capture was begun with timing {}, this part is read with mode {}", writer_->head().timing,
                             proven_.timing_mode));
    } else {
      const auto made = co_await on_writer([&] { return make_capture(geometry); });
      if (!made) co_return made;
    }
    result_.uuid = writer_->head().uuid;
    held_ = writer_->units();
    if (!held_before_) held_before_ = held_;
    if (!options_.board_check.empty()) add_note(options_.board_check);
    const auto noted = co_await on_writer([&] { return note_start(); });
    if (!noted) co_return noted;
    const auto started = Clock::now();
    const double used = thread_seconds();
    const auto read = co_await read_passes(geometry);
    result_.seconds += std::chrono::duration<double>(Clock::now() - started).count();
    result_.transfer_thread_seconds += thread_seconds() - used;
    result_.writing = writer_->times();
    const auto synced = co_await on_writer([&] { return writer_->sync(); });
    co_return read ? synced : read;
  }

  Result<void> set_range(const Geometry& geometry) {
    result_.blocks = options_.blocks.value_or(NumberRange{0, geometry.blocks - 1});
    if (result_.blocks.last < geometry.blocks) return {};
    return failure(Error(ErrorCode::wrong_usage, fmt::format("blocks {}-{} reach beyond the chip's last block {}", result_.blocks.first,
                                                             result_.blocks.last, geometry.blocks - 1))
                       .advising("give a range inside the chip"));
  }

  // Modes 4 and 5 need a late sample (EDO); 3 is the fastest that any board can do. Without a declaration the slowest is
  // right. A capture keeps the mode it was begun with, so that all its passes are of one condition.
  std::uint8_t fastest_mode() const {
    if (going_on_) {
      const auto mode =
          parse_number(std::string_view(writer_->head().timing).substr(std::min<std::size_t>(writer_->head().timing.size(), 5)));
      return mode && *mode <= 3 ? static_cast<std::uint8_t>(*mode) : std::uint8_t{0};
    }
    return std::min<std::uint8_t>(result_.found.targets[0].chip.timing_mode, 3);
  }

  passes::CaptureHead head_of_new(const Geometry& geometry) const {
    passes::CaptureHead head;
    head.uuid = passes::make_uuid();
    head.board_uuid = board_.info().uuid;
    head.geometry = geometry;
    for (const FoundTarget& t : result_.found.targets)
      head.targets.push_back({t.target, t.id_bytes, t.parameter_page, t.chip.maker, t.chip.model, t.chip.source});
    head.supply_mV = static_cast<std::uint32_t>(result_.found.supply.value);
    head.timing = fmt::format("mode {}", proven_.timing_mode);
    head.tool = options_.tool;
    return head;
  }

  Result<void> make_capture(const Geometry& geometry) {
    const passes::CaptureHead head = head_of_new(geometry);
    passes::Contents nothing;
    nothing.units = passes::UnitIndex(geometry, head.targets);
    const auto free = system_.free_bytes(files::parent_of(options_.folder));
    if (!free) return failure(free.error());
    if (auto room = files::compare_room(options_.folder, *free, room_needed(head, nothing)); !room) return room;
    passes::WriterOptions writer_options;
    writer_options.tool = options_.tool;
    auto made = passes::CaptureWriter::create(system_, options_.folder, head, writer_options);
    if (!made) return failure(made.error());
    writer_.emplace(std::move(*made));
    return {};
  }

  Result<void> note_start() {
    json::Array notes;
    for (const std::string& note : result_.found.notes) notes.emplace_back(note);
    for (const std::string& note : result_.notes) notes.emplace_back(note);
    auto noted = writer_->note({{"event", "power-up"}, {"board", board_.info().uuid}, {"supply_mV", result_.found.supply.value},
                                      {"timing_mode", proven_.timing_mode},
                                      {"wait", proven_.wait == chip::WaitFor::ready_pin ? "R/B#" : "status"},
                                      {"wp", "low"}, {"notes", std::move(notes)}});
    if (!noted) return noted;
    if (!options_.board_check.empty()) {
      auto quoted = writer_->note({{"event", passes::kBoardCheckEvent}, {"board", board_.info().uuid}, {"text", options_.board_check}});
      if (!quoted) return quoted;
    }
    for (const FoundTarget& target : result_.found.targets) {
      auto counted = writer_->note_page_reads({target.target, 0}, {result_.blocks.first},
                                                    std::uint64_t{proven_.sample_reads} * proven_.sample_rows.rows, "proofs");
      if (!counted) return counted;
    }
    return {};
  }

  // WP# at the end of a pass, and what went wrong in it. What the link took to go on may also belong to what led to the pass.
  asio::awaitable<Result<void>> note_end(std::uint32_t pass, const UnitSink& sink) {
    const auto state = co_await board_.state();
    if (!state) co_return failure(state.error());
    const std::uint64_t recoveries = board_.stats().recoveries - std::exchange(recoveries_told_, board_.stats().recoveries);
    json::Object facts{{"event", "pass-end"}, {"pass", pass}, {"wp", state->wp_high != 0 ? "high" : "low"},
                       {"pages_not_transferred", sink.totals().transfer_errors}, {"pages_timed_out", sink.totals().timeouts},
                       {"busy_not_seen", sink.totals().busy_not_seen}, {"link_recoveries", recoveries}};
    const auto noted = co_await on_writer([&] { return writer_->note(std::move(facts)); });
    if (!noted) co_return noted;
    if (recoveries > 0)
      add_note(
          fmt::format("pass {}: the link to the board had to be recovered {}; the pages it cost were read again. Another cable or port "
                      "may help",
                      pass, recoveries == 1 ? "once" : fmt::format("{} times", recoveries)));
    if (state->wp_high != 0) co_return failure(ErrorCode::write_protect, "the board senses WP# high at the end of pass {}", pass);
    co_return Result<void>();
  }

  void add_note(std::string text) {
    if (std::find(result_.notes.begin(), result_.notes.end(), text) != result_.notes.end()) return;
    if (options_.note) options_.note(text);
    result_.notes.push_back(std::move(text));
  }

  asio::awaitable<Result<void>> read_passes(const Geometry& geometry) {
    UnitSink sink(geometry, proven_.wait, *writer_, writer_thread_, executor_);
    const std::uint64_t blocks = std::uint64_t{result_.blocks.last} - result_.blocks.first + 1;
    units_a_pass_ = blocks * geometry.luns * result_.found.targets.size();
    result_.units_held = 0;
    const ReadResult earlier = result_;  // what was read before a restart of the board
    for (std::uint32_t pass = 1; pass <= options_.passes; ++pass) {
      const auto read = co_await read_pass(geometry, pass, sink);
      co_await wait_for_writer(sink);
      result_.units_read = earlier.units_read + sink.totals().units;
      result_.bytes = earlier.bytes + sink.totals().bytes;
      result_.pages_not_transferred = earlier.pages_not_transferred + sink.totals().transfer_errors;
      result_.pages_timed_out = earlier.pages_timed_out + sink.totals().timeouts;
      if (sink.failed()) co_return failure(*sink.failed());
      if (!read) co_return failure(Error(read.error()).during("reading pass {}, {} and on", pass, first_missing(geometry, pass)));
      if (units_now_ > 0) {
        const auto noted = co_await note_end(pass, sink);
        if (!noted) co_return noted;
      }
      if (sink.totals().wp_high > 0) co_return failure(ErrorCode::write_protect, "the board sensed WP# high during pass {}", pass);
      if (writer_->contents().sealed(pass) && units_now_ == 0) continue;
      const auto seal = co_await on_writer([&] { return writer_->seal_pass(pass); });
      if (!seal) co_return seal;
    }
    co_return Result<void>();
  }

  // Where the same command goes on. The writer has nothing to do meanwhile.
  std::string first_missing(const Geometry& geometry, std::uint32_t pass) const {
    for (const FoundTarget& target : result_.found.targets)
      for (std::uint8_t lun = 0; lun < geometry.luns; ++lun)
        for (std::uint32_t block = result_.blocks.first; block <= result_.blocks.last; ++block)
          if (!writer_->units().has({{target.target, lun}, {block}, pass}))
            return result_.found.targets.size() * geometry.luns == 1
                       ? fmt::format("block {}", block)
                       : fmt::format("target {}, LUN {}, block {}", target.target, lun, block);
    return "its end";
  }

  asio::awaitable<Result<void>> read_pass(const Geometry& geometry, std::uint32_t pass, UnitSink& sink) {
    const chip::Addressing addressing(geometry);
    const auto started = Clock::now();
    const std::uint64_t units_before = sink.totals().units, bytes_before = sink.totals().bytes;
    std::uint64_t held = 0;
    const auto tell = [&] {
      const std::uint64_t now = sink.totals().units - units_before;
      const double seconds = std::chrono::duration<double>(Clock::now() - started).count();
      api::Progress progress{.stage = fmt::format("reading pass {} of {}", pass, options_.passes),
                             .unit = "blocks",
                             .done = held + now,
                             .total = units_a_pass_,
                             .bytes = sink.totals().bytes - bytes_before};
      if (seconds > 0.2 && now > 0) {
        progress.bytes_per_second = static_cast<double>(progress.bytes) / seconds;
        progress.seconds_left = seconds / static_cast<double>(now) * static_cast<double>(units_a_pass_ - progress.done);
      }
      if (options_.progress) options_.progress(progress);
    };
    sink.on_unit(tell);
    units_now_ = 0;
    for (const FoundTarget& target : result_.found.targets) {
      for (std::uint8_t lun = 0; lun < geometry.luns; ++lun) {
        for (std::uint32_t block = result_.blocks.first; block <= result_.blocks.last;) {
          const UnitPlace place{target.target, lun};
          if (held_.has({place, {block}, pass})) {
            ++held;
            result_.units_held += held_before_->has({place, {block}, pass}) ? 1 : 0;
            ++block;
            continue;
          }
          std::uint32_t count = 1;
          while (count < sink.blocks_a_run() && block + count <= result_.blocks.last && !held_.has({place, {block + count}, pass})) ++count;
          sink.start_run(place, {block}, PassIndex(pass));
          board::RunRequest request;
          request.program = &proven_.page_program;
          request.target = target.target;
          request.pass = PassIndex(pass);
          request.rows = {.first = addressing.row(lun, {block * geometry.pages_per_block}),
                          .rows = geometry.pages_per_block,
                          .stride = addressing.block_stride(),
                          .groups = count};
          const auto ran = co_await board_.run(request, sink);
          sink.drop_unfinished();
          if (!ran) {
            sink.on_unit({});  // it refers to this coroutine's frame, and units may still be on their way
            co_return failure(ran.error());
          }
          units_now_ += count;
          block += count;
        }
      }
    }
    co_await wait_for_writer(sink);
    sink.on_unit({});
    co_return Result<void>();
  }

  asio::awaitable<void> wait_for_writer(UnitSink& sink) {
    asio::steady_timer pause(executor_);
    while (sink.outstanding() > 0) {
      boost::system::error_code ignored;
      pause.expires_after(1ms);
      co_await pause.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
    }
  }

  board::BoardClient& board_;
  files::FileSystem& system_;
  ReadOptions options_;
  asio::any_io_executor executor_;
  asio::thread_pool writer_thread_;
  std::optional<passes::CaptureWriter> writer_;
  // The journal's index belongs to the writer's thread while it writes. What is read is asked for once only, so the answer
  // from before the reading began is the right one.
  passes::UnitIndex held_;
  std::optional<passes::UnitIndex> held_before_;  // as it was when the job began
  bool going_on_ = false;  // the capture was there before the chip got its power
  std::uint64_t restarts_seen_ = 0;
  std::uint64_t recoveries_told_ = 0;  // of the link, in the records of passes
  std::vector<Clock::time_point> restarted_at_;
  std::vector<Witness> witnesses_;
  Proven proven_;
  ReadResult result_;
  std::uint64_t units_a_pass_ = 0, units_now_ = 0;
};

}  // namespace

asio::awaitable<Result<ReadResult>> read_chip(board::BoardClient& board, files::FileSystem& system, ReadOptions options) {
  const auto executor = co_await asio::this_coro::executor;
  Reading reading(board, system, std::move(options), executor);
  co_return co_await reading.run();
}

}  // namespace steadycell::capture
