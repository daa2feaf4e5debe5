#include "capture/proofs.h"

#include <algorithm>
#include <array>

#include "capture/sample.h"
#include "contact/socket_map.h"

namespace steadycell::capture {
namespace {

constexpr std::uint32_t kSamplePages = 4;

// Which levels each I/O lane has shown.
class LaneLevels {
 public:
  explicit LaneLevels(std::uint32_t lanes) : lanes_(lanes) {}

  // Bytes of a page: on 16 bits the odd ones travel on lanes 8 to 15.
  void add_page(ByteSpan page) { add(page, lanes_ / 8); }
  // Bytes of ID, status and parameter page come on the low lanes.
  void add_side(ByteSpan bytes) { add(bytes, 1); }

  std::vector<std::string> notes() const {
    std::vector<std::string> notes;
    for (unsigned lane = 0; lane < lanes_; ++lane) {
      const auto seen = [&](const std::array<std::uint8_t, 2>& levels) { return (levels[lane / 8] >> lane % 8 & 1u) != 0; };
      if (seen(ones_) && seen(zeros_)) continue;
      const auto pin = contact::position_of_lane(lane);
      notes.emplace_back(fmt::format("{} has shown only {} so far", pin ? contact::describe_position(*pin) : fmt::format("I/O{}", lane),
                                     seen(ones_) ? "ones" : "zeros"));
    }
    return notes;
  }

 private:
  void add(ByteSpan bytes, std::size_t stride) {
    for (std::size_t i = 0; i < bytes.size(); ++i) {
      const std::size_t half = i % stride;
      ones_[half] = static_cast<std::uint8_t>(ones_[half] | bytes[i]);
      zeros_[half] = static_cast<std::uint8_t>(zeros_[half] | ~bytes[i]);
    }
  }

  std::uint32_t lanes_;
  std::array<std::uint8_t, 2> ones_{}, zeros_{};
};

Likeness likeness(const std::vector<SamplePage>& a, const std::vector<SamplePage>& b) {
  Likeness out;
  for (std::size_t i = 0; i < a.size(); ++i) {
    // A page that came at one speed only is as different as can be.
    if (a[i].bytes.size() != b[i].bytes.size()) {
      ++out.pages;
      const std::uint64_t bits = 8 * std::max(a[i].bytes.size(), b[i].bytes.size());
      out.bits += bits;
      out.differing += bits;
    }
    out.add(a[i].bytes, b[i].bytes);
  }
  return out;
}

class Proving {
 public:
  Proving(board::BoardClient& board, const Found& found, BlockAddress first, std::uint8_t fastest)
      : board_(board), found_(found), what_(found.targets[0].chip), first_(first), fastest_(fastest), lanes_(what_.geometry.bus_bits) {}

  asio::awaitable<Result<Proven>> run() {
    const Geometry& g = what_.geometry;
    out_.sample_rows.first = chip::Addressing(g).row(0, {first_.index * g.pages_per_block});
    out_.sample_rows.rows = std::min(kSamplePages, g.pages_per_block);
    out_.page_program = chip::read_page_program(g, chip::read_limit(what_));
    if (out_.page_program.output_bytes() + 64 > board_.info().max_payload)
      co_return failure(ErrorCode::board_refused, "a page of {} bytes is more than this board sends in one frame ({})",
                        out_.page_program.output_bytes(), board_.info().max_payload);
    for (const FoundTarget& target : found_.targets) {
      const auto protected_now = co_await show_write_protect(target);
      if (!protected_now) co_return failure(protected_now.error());
    }
    const auto set = co_await board_.bus_setup(bus_for(g, 0));
    if (!set) co_return failure(set.error());
    for (const FoundTarget& target : found_.targets) {
      const auto ready = co_await show_ready(target);
      if (!ready) co_return failure(ready.error());
    }
    const auto sped_up = co_await speed_up();
    if (!sped_up) co_return failure(sped_up.error());
    for (std::string& note : lanes_.notes()) out_.notes.push_back(std::move(note));
    co_return std::move(out_);
  }

 private:
  asio::awaitable<Result<void>> show_write_protect(const FoundTarget& target) {
    const auto program = chip::status_program(2);
    const auto status = co_await board_.run_once(program, target.target);
    if (!status) co_return failure(Error(status.error()).during("reading the status of target {}", target.target));
    if (status->size() < 2 || ((*status)[0] & 0x80) != 0)
      co_return failure(ErrorCode::write_protect, "the status of target {} reads {}: bit 7 does not show WP# low", target.target,
                        hex_spaced(*status));
    lanes_.add_side(*status);
    lanes_.add_side(target.id_bytes);
    lanes_.add_side(target.parameter_page);
    co_return Result<void>();
  }

  asio::awaitable<Result<std::vector<SamplePage>>> sample(const FoundTarget& target) {
    auto pages = co_await read_sample(board_, out_.page_program, target.target, out_.sample_rows);
    if (!pages) co_return failure(Error(pages.error()).during("reading the first pages of target {}", target.target));
    for (const SamplePage& page : *pages)
      if (page.wp_high) co_return failure(ErrorCode::write_protect, "the board senses WP# high");
    co_return std::move(*pages);
  }

  // R/B# must move, else the chip's own status is asked.
  asio::awaitable<Result<void>> show_ready(const FoundTarget& target) {
    auto pages = co_await sample(target);
    if (!pages) co_return failure(pages.error());
    const auto all = [&](auto&& holds) { return std::all_of(pages->begin(), pages->end(), holds); };
    const bool never_low = all([](const SamplePage& p) { return !p.busy_seen; });
    const bool never_high = all([](const SamplePage& p) { return p.timed_out; });
    if (out_.wait == chip::WaitFor::ready_pin && (never_low || never_high)) {
      const std::string seen = fmt::format("R/B# of target {} {}", target.target, never_low ? "never went low" : "never rose");
      if (what_.geometry.page_bytes == 512)
        co_return failure(
            Error(ErrorCode::proof_failed, fmt::format("{} over {} page reads, and small-page parts cannot be polled", seen, pages->size()))
                .advising("check the contact of R/B# (pin 7)"));
      out_.wait = chip::WaitFor::status;
      out_.page_program = chip::read_page_program(what_.geometry, chip::read_limit(what_), out_.wait);
      const auto idle = co_await reset_chip(board_, target.target);
      if (!idle) co_return failure(idle.error());
      out_.notes.push_back(seen + ": the status register is polled instead");
      pages = co_await sample(target);
      if (!pages) co_return failure(pages.error());
    }
    if (all([](const SamplePage& p) { return p.timed_out; }))
      co_return failure(ErrorCode::chip_busy, "target {} stays busy over {} page reads", target.target, pages->size());
    for (const SamplePage& page : *pages) lanes_.add_page(page.bytes);
    ++out_.sample_reads;
    slow_.push_back(std::move(*pages));
    co_return Result<void>();
  }

  // The chip declares the mode; the way through the socket has to carry it as well.
  asio::awaitable<Result<void>> speed_up() {
    if (fastest_ == 0) co_return Result<void>();
    const auto set = co_await board_.bus_setup(bus_for(what_.geometry, fastest_));
    if (!set) co_return failure(set.error());
    for (std::size_t i = 0; i < found_.targets.size(); ++i) {
      const auto same = co_await same_when_fast(found_.targets[i], slow_[i]);
      if (!same) co_return failure(same.error());
      if (*same) continue;
      out_.notes.emplace_back(fmt::format("timing mode {} reads differently from mode 0: the bus stays at mode 0", fastest_));
      const auto back = co_await board_.bus_setup(bus_for(what_.geometry, 0));
      if (!back) co_return failure(back.error());
      for (const FoundTarget& target : found_.targets) {
        const auto idle = co_await reset_chip(board_, target.target);
        if (!idle) co_return failure(idle.error());
      }
      co_return Result<void>();
    }
    out_.timing_mode = fastest_;
    co_return Result<void>();
  }

  asio::awaitable<Result<bool>> same_when_fast(const FoundTarget& target, const std::vector<SamplePage>& slow) {
    if (what_.geometry.bus_bits == 8) {
      const auto program = chip::read_id_program(0x00);
      const auto id = co_await board_.run_once(program, target.target);
      if (!id) co_return failure(id.error());
      if (*id != target.id_bytes) co_return false;
    }
    const auto fast = co_await sample(target);
    if (!fast) co_return failure(fast.error());
    ++out_.sample_reads;
    Likeness all = likeness(slow, *fast);
    co_return all.share() < kDifferentData;
  }

  board::BoardClient& board_;
  const Found& found_;
  const chip::Identification& what_;
  BlockAddress first_;
  std::uint8_t fastest_;
  LaneLevels lanes_;
  Proven out_;
  std::vector<std::vector<SamplePage>> slow_;  // by target
};

}  // namespace

asio::awaitable<Result<Proven>> prove(board::BoardClient& board, const Found& found, BlockAddress first, std::uint8_t fastest) {
  Proving proving(board, found, first, fastest);
  co_return co_await proving.run();
}

}  // namespace steadycell::capture
