#include "capture/sample.h"

#include <algorithm>

#include "base/bits.h"

namespace steadycell::capture {
namespace {

class KeepAll final : public board::PageSink {
 public:
  explicit KeepAll(std::size_t count) : pages(count) {}
  bool on_page(const board::PageFrame& page) override {
    SamplePage& kept = pages[static_cast<std::size_t>(page.index)];
    kept.timed_out = page.outcome == board::PageOutcome::ready_timeout;
    kept.busy_seen = page.busy_seen;
    kept.wp_high = page.wp_high;
    if (page.outcome == board::PageOutcome::read) kept.bytes.assign(page.bytes.begin(), page.bytes.end());
    return true;
  }
  std::vector<SamplePage> pages;
};

bool blank(ByteSpan page) {
  const std::uint64_t ones = count_ones(page), bits = 8 * page.size();
  return ones * 100 < bits * 3 || ones * 100 > bits * 97;
}

}  // namespace

board::BusSetup bus_for(const Geometry& geometry, std::uint8_t timing_mode) {
  return {.timing_mode = timing_mode,
          .bus_bits = static_cast<std::uint8_t>(geometry.bus_bits),
          .small_page = geometry.page_bytes == 512 && geometry.column_cycles == 1,
          .column_cycles = static_cast<std::uint8_t>(geometry.column_cycles),
          .row_cycles = static_cast<std::uint8_t>(geometry.row_cycles)};
}

asio::awaitable<Result<std::vector<SamplePage>>> read_sample(board::BoardClient& board, const protocol::BusProgram& program,
                                                             std::uint8_t target, board::RowRange rows) {
  KeepAll sink(static_cast<std::size_t>(rows.count()));
  board::RunRequest request;
  request.program = &program;
  request.target = target;
  request.pass = PassIndex(1);
  request.rows = rows;
  const auto ran = co_await board.run(request, sink);
  if (!ran) co_return failure(ran.error());
  co_return std::move(sink.pages);
}

asio::awaitable<Result<chip::WaitFor>> reset_chip(board::BoardClient& board, std::uint8_t target) {
  for (const chip::WaitFor wait : {chip::WaitFor::ready_pin, chip::WaitFor::status}) {
    const auto program = chip::reset_program(wait);
    const auto done = co_await board.run_once(program, target);
    if (done) co_return wait;
    if (done.error().code() != ErrorCode::chip_busy) co_return failure(Error(done.error()).during("resetting target {}", target));
  }
  co_return failure(ErrorCode::chip_busy, "target {} stays busy after RESET: R/B# is low, and bit 6 of its status as well", target);
}

void Likeness::add(ByteSpan a, ByteSpan b) {
  if (a.empty() || a.size() != b.size() || (blank(a) && blank(b))) return;
  ++pages;
  bits += 8 * a.size();
  differing += count_differing(a, b);
}

}  // namespace steadycell::capture
