#include "capture/read.h"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/this_coro.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <algorithm>
#include <chrono>

#include "capture/unit_sink.h"
#include "chip/bus.h"
#include "files/atomic.h"

namespace steadycell::capture {
namespace {

using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;

constexpr std::uint64_t kReserveBytes = 16 << 20;  // kept free for journal and manifest

// The first pages of the chip, kept to look at: does R/B# move, does every lane show both levels.
class ProofPages final : public board::PageSink {
 public:
  bool on_page(const board::PageFrame& page) override {
    ++pages;
    timeouts += page.outcome == board::PageOutcome::ready_timeout ? 1 : 0;
    busy_seen += page.busy_seen ? 1 : 0;
    wp_high = wp_high || page.wp_high;
    for (const std::uint8_t byte : page.bytes) {
      ones = static_cast<std::uint8_t>(ones | byte);
      zeros = static_cast<std::uint8_t>(zeros | ~byte);
    }
    return true;
  }
  std::uint32_t pages = 0, timeouts = 0, busy_seen = 0;
  bool wp_high = false;
  std::uint8_t ones = 0, zeros = 0;  // lanes that were seen at that level
};

class Reading {
 public:
  Reading(board::BoardClient& board, files::FileSystem& system, ReadOptions options, asio::any_io_executor executor)
      : board_(board), system_(system), options_(std::move(options)), executor_(std::move(executor)), writer_thread_(1) {}

  asio::awaitable<Result<ReadResult>> run() {
    const auto there = system_.exists(options_.folder);
    if (!there) co_return failure(there.error());
    // An existing capture is opened before any power: a wrong folder costs the chip nothing.
    if (*there) {
      auto opened = passes::CaptureWriter::open(system_, options_.folder);
      if (!opened) co_return failure(opened.error());
      writer_.emplace(std::move(*opened));
    }
    IdentifyOptions identify;
    identify.consent = options_.consent;
    if (writer_ && !identify.consent && writer_->head().supply_mV > 0)
      identify.consent = Millivolts(static_cast<std::int32_t>(writer_->head().supply_mV));  // given when the capture was begun
    auto powered = co_await power_and_identify(board_, identify);
    if (!powered) co_return failure(powered.error());
    result_.found = std::move(powered->found);
    const auto done = co_await read_powered();
    const auto down = co_await powered->lease.power_down();
    writer_thread_.join();
    if (!done) co_return failure(keeping(done.error()));
    if (!down && !board_.lost()) co_return failure(down.error());
    co_return std::move(result_);
  }

 private:
  Error keeping(Error error) {
    if (!writer_) return error;
    Error kept = std::move(error).keeping(fmt::format("{} units are safe in {}", writer_->acknowledged(), options_.folder));
    if (kept.code() != ErrorCode::interrupted) return kept;
    return std::move(kept).advising("run the same command again: it goes on at the first block that is missing");
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
    const auto ready = co_await on_writer([&] { return open_capture(geometry); });
    if (!ready) co_return ready;
    result_.uuid = writer_->head().uuid;
    held_ = writer_->units();
    const auto space = check_space(geometry);
    if (!space) co_return space;
    const auto set = co_await board_.bus_setup(bus_for(geometry));
    if (!set) co_return set;
    const auto proven = co_await prove(geometry);
    if (!proven) co_return proven;
    const auto noted = co_await on_writer([&] { return note_start(); });
    if (!noted) co_return noted;
    const auto started = Clock::now();
    const auto read = co_await read_passes(geometry);
    result_.seconds = std::chrono::duration<double>(Clock::now() - started).count();
    const auto synced = co_await on_writer([&] { return writer_->sync(); });
    if (!read) co_return read;
    if (!synced) co_return synced;
    result_.journal_head = writer_->journal_head();
    co_return Result<void>();
  }

  Result<void> set_range(const Geometry& geometry) {
    result_.blocks = options_.blocks.value_or(NumberRange{0, geometry.blocks - 1});
    if (result_.blocks.last < geometry.blocks) return {};
    return failure(Error(ErrorCode::wrong_usage, fmt::format("blocks {}-{} reach beyond the chip's last block {}", result_.blocks.first, result_.blocks.last, geometry.blocks - 1))
                       .advising("give a range inside the chip"));
  }

  board::BusSetup bus_for(const Geometry& geometry) const {
    // Fast modes sample late (EDO); mode 3 is the fastest that does not. Without a declaration the slowest is right.
    const std::uint8_t mode = std::min<std::uint8_t>(result_.found.targets[0].chip.timing_mode, 3);
    return {.timing_mode = mode,
            .bus_bits = static_cast<std::uint8_t>(geometry.bus_bits),
            .small_page = geometry.page_bytes <= 512,
            .column_cycles = static_cast<std::uint8_t>(geometry.column_cycles),
            .row_cycles = static_cast<std::uint8_t>(geometry.row_cycles)};
  }

  Result<void> open_capture(const Geometry& geometry) {
    if (writer_) return compare(geometry);
    passes::CaptureHead head;
    head.uuid = passes::make_uuid();
    head.board_uuid = board_.info().uuid;
    head.geometry = geometry;
    for (const FoundTarget& t : result_.found.targets)
      head.targets.push_back({t.target, t.id_bytes, t.parameter_page, t.chip.maker, t.chip.model, t.chip.source});
    head.supply_mV = static_cast<std::uint32_t>(result_.found.supply.value);
    head.timing = fmt::format("mode {}", bus_for(geometry).timing_mode);
    head.tool = options_.tool;
    auto made = passes::CaptureWriter::create(system_, options_.folder, head);
    if (!made) return failure(made.error());
    writer_.emplace(std::move(*made));
    return {};
  }

  Result<void> compare(const Geometry& geometry) const {
    const passes::CaptureHead& head = writer_->head();
    bool same = head.geometry == geometry && head.targets.size() == result_.found.targets.size();
    for (std::size_t i = 0; same && i < head.targets.size(); ++i)
      same = head.targets[i].id_bytes == result_.found.targets[i].id_bytes && head.targets[i].parameter_page == result_.found.targets[i].parameter_page;
    if (!same)
      return failure(Error(ErrorCode::mismatched_capture,
                           fmt::format("the chip in the socket says {}, the capture {} is of a chip that said {}", hex_spaced(result_.found.targets[0].id_bytes),
                                       options_.folder, hex_spaced(head.targets[0].id_bytes)))
                         .keeping("the capture is untouched")
                         .advising("put the right chip into the socket, or give --into a new folder"));
    return {};
  }

  Result<void> check_space(const Geometry& geometry) const {
    const auto free = system_.free_bytes(options_.folder);
    if (!free) return failure(free.error());
    // Pass 1 is stored whole; later passes are differences and cost little.
    const std::uint64_t blocks = std::uint64_t{result_.blocks.last} - result_.blocks.first + 1;
    std::uint64_t missing = 0;
    for (std::uint8_t target = 0; target < result_.found.targets.size(); ++target)
      for (std::uint8_t lun = 0; lun < geometry.luns; ++lun)
        for (std::uint64_t b = 0; b < blocks; ++b)
          missing += writer_->units().has({{target, lun}, {static_cast<std::uint32_t>(result_.blocks.first + b)}, 1}) ? 0 : 1;
    const std::uint64_t needed = missing * geometry.block_raw_bytes() + kReserveBytes;
    if (*free >= needed) return {};
    return failure(Error(ErrorCode::storage_full, fmt::format("{} has {} free, pass 1 needs {}", options_.folder, human_bytes(*free), human_bytes(needed))));
  }

  Result<void> note_start() {
    json::Array notes;
    for (const std::string& note : result_.found.notes) notes.emplace_back(note);
    for (const std::string& note : result_.notes) notes.emplace_back(note);
    return writer_->note({{"event", "power-up"}, {"board", board_.info().uuid}, {"supply_mV", result_.found.supply.value},
                          {"wp", "low"}, {"notes", std::move(notes)}});
  }

  // Before pass 1 the chip proves itself: WP# low by its own status, R/B# moving, every lane alive.
  asio::awaitable<Result<void>> prove(const Geometry& geometry) {
    for (const FoundTarget& target : result_.found.targets) {
      const auto status_program = chip::status_program(2);
      const auto status = co_await board_.run_once(status_program, target.target);
      if (!status) co_return failure(Error(status.error()).during("reading the status of chip enable {}", target.target + 1));
      if (((*status)[0] & 0x80) != 0)
        co_return failure(ErrorCode::write_protect, "the status of chip enable {} is {:02X}: bit 7 says that WP# is not low", target.target + 1, (*status)[0]);
    }
    const Microseconds limit = chip::read_limit(result_.found.targets[0].chip);
    page_program_ = chip::read_page_program(geometry, limit);
    ProofPages seen;
    const auto read = co_await read_proof(geometry, seen);
    if (!read) co_return read;
    if (seen.busy_seen == 0 || seen.timeouts == seen.pages) {
      // The line, or the chip? Status polling asks the chip itself.
      const std::string what = seen.busy_seen == 0 ? "R/B# never went low" : "R/B# never rose";
      if (geometry.page_bytes <= 512) co_return failure(ErrorCode::proof_failed, "{} over {} pages, and small-page chips are not polled by status", what, seen.pages);
      page_program_ = chip::read_page_program(geometry, limit, chip::WaitFor::status);
      seen = ProofPages();
      const auto again = co_await read_proof(geometry, seen);
      if (!again) co_return again;
      if (seen.timeouts == seen.pages) co_return failure(ErrorCode::chip_busy, "{}, and by its status the chip stays busy too", what);
      add_note(what + "; the chip's status register is polled instead");
    }
    if (seen.wp_high) co_return failure(ErrorCode::write_protect, "the board senses WP# high");
    const ByteSpan id(result_.found.targets[0].id_bytes), page(result_.found.targets[0].parameter_page);
    for (const ByteSpan bytes : {id, page})
      for (const std::uint8_t byte : bytes) {
        seen.ones = static_cast<std::uint8_t>(seen.ones | byte);
        seen.zeros = static_cast<std::uint8_t>(seen.zeros | ~byte);
      }
    for (unsigned lane = 0; lane < 8; ++lane)
      if (((seen.ones & seen.zeros) >> lane & 1u) == 0) add_note(fmt::format("lane I/O{} has shown only one level so far", lane));
    co_return Result<void>();
  }

  asio::awaitable<Result<void>> read_proof(const Geometry& geometry, ProofPages& seen) {
    constexpr std::uint32_t kProofPages = 4;
    const chip::Addressing addressing(geometry);
    board::RunRequest request;
    request.program = &page_program_;
    request.pass = PassIndex(1);
    request.rows.first = addressing.row(0, {result_.blocks.first * geometry.pages_per_block});
    request.rows.rows = std::min(kProofPages, geometry.pages_per_block);
    const auto ran = co_await board_.run(request, seen);
    if (!ran) co_return failure(Error(ran.error()).during("reading the first pages"));
    co_return Result<void>();
  }

  void add_note(std::string text) {
    if (options_.note) options_.note(text);
    result_.notes.push_back(std::move(text));
  }

  asio::awaitable<Result<void>> read_passes(const Geometry& geometry) {
    UnitSink sink(geometry, *writer_, writer_thread_, executor_);
    const std::uint64_t blocks = std::uint64_t{result_.blocks.last} - result_.blocks.first + 1;
    units_a_pass_ = blocks * geometry.luns * result_.found.targets.size();
    for (std::uint32_t pass = 1; pass <= options_.passes; ++pass) {
      const auto read = co_await read_pass(geometry, pass, sink);
      co_await wait_for_writer(sink);
      result_.units_read = sink.totals().units;
      result_.bytes = sink.totals().bytes;
      result_.pages_not_transferred = sink.totals().transfer_errors;
      result_.pages_timed_out = sink.totals().timeouts;
      if (sink.failed()) co_return failure(*sink.failed());
      if (!read) co_return read;
      if (sink.totals().wp_high > 0) co_return failure(ErrorCode::write_protect, "the board sensed WP# high during pass {}", pass);
      const bool sealed = std::find(writer_->contents().sealed_passes.begin(), writer_->contents().sealed_passes.end(), pass) != writer_->contents().sealed_passes.end();
      if (sealed && units_now_ == 0) continue;
      const auto seal = co_await on_writer([&] { return writer_->seal_pass(pass); });
      if (!seal) co_return seal;
    }
    co_return Result<void>();
  }

  asio::awaitable<Result<void>> read_pass(const Geometry& geometry, std::uint32_t pass, UnitSink& sink) {
    const chip::Addressing addressing(geometry);
    const auto started = Clock::now();
    const std::uint64_t units_before = sink.totals().units, bytes_before = sink.totals().bytes;
    std::uint64_t held = 0;
    const auto tell = [&] {
      const std::uint64_t now = sink.totals().units - units_before;
      const double seconds = std::chrono::duration<double>(Clock::now() - started).count();
      api::Progress progress{.stage = fmt::format("reading pass {} of {}", pass, options_.passes), .unit = "blocks", .done = held + now, .total = units_a_pass_,
                             .bytes = sink.totals().bytes - bytes_before};
      if (seconds > 0.2 && now > 0) {
        progress.bytes_per_second = static_cast<double>(progress.bytes) / seconds;
        progress.seconds_left = seconds / static_cast<double>(now) * static_cast<double>(units_a_pass_ - progress.done);
      }
      if (options_.progress) options_.progress(progress);
    };
    sink.on_unit(tell);
    units_now_ = 0;
    for (std::uint8_t t = 0; t < result_.found.targets.size(); ++t) {
      for (std::uint8_t lun = 0; lun < geometry.luns; ++lun) {
        for (std::uint32_t block = result_.blocks.first; block <= result_.blocks.last;) {
          const UnitPlace place{t, lun};
          if (held_before(place, block, pass)) {
            ++held;
            ++block;
            continue;
          }
          std::uint32_t count = 1;
          while (count < sink.blocks_a_run() && block + count <= result_.blocks.last && !held_before(place, block + count, pass)) ++count;
          sink.start_run(place, {block}, PassIndex(pass));
          board::RunRequest request;
          request.program = &page_program_;
          request.target = result_.found.targets[t].target;
          request.pass = PassIndex(pass);
          request.rows = {.first = addressing.row(lun, {block * geometry.pages_per_block}), .rows = geometry.pages_per_block, .stride = addressing.block_stride(), .groups = count};
          const auto ran = co_await board_.run(request, sink);
          sink.drop_unfinished();
          if (!ran) co_return failure(Error(ran.error()).during("reading pass {}, block {} and on", pass, block));
          units_now_ += count;
          block += count;
        }
      }
    }
    result_.units_held += held;
    co_await wait_for_writer(sink);
    sink.on_unit({});
    co_return Result<void>();
  }

  // The journal's index belongs to the writer's thread while it writes; what this job adds is asked for once only, so the
  // answer from before the job is the right one. UnitIndex grows by whole passes, which happens on that thread.
  bool held_before(UnitPlace place, std::uint32_t block, std::uint32_t pass) { return held_.has({place, {block}, pass}); }

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
  passes::UnitIndex held_;  // as it was when the job began
  protocol::BusProgram page_program_;
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
