#include <fmt/format.h>

#include <algorithm>

#include "conform/duty.h"

// Bus programs, pages and the pipe: PROTOCOL.md, sections 3, 4 and 6. READ ID runs at 1.8 V and in an empty
// socket: what matters here is how frames come, not what they hold.
namespace steadycell::conform {
namespace {

constexpr std::uint32_t kLongRead = 2000;
constexpr std::uint32_t kManyRows = 100'000;

// Socket on, and a program in slot 0; what went wrong, if anything did.
asio::awaitable<std::optional<Finding>> prepared(Bench& bench, Bytes program) {
  const Reply on = co_await bench.socket_awake();
  if (!on.is(SCP_OK)) co_return passed_if(false, "SOCKET_ON and RESET: " + to_text(on));
  bench.wire.forget();
  const Reply loaded = co_await bench.load(0, std::move(program));
  if (!loaded.is(SCP_OK)) co_return passed_if(false, "PROGRAM_LOAD: " + to_text(loaded));
  co_return std::nullopt;
}

// The run from its answer to its end.
asio::awaitable<std::optional<protocol::RunEnd>> finished(Bench& bench, std::uint32_t id,
                                                          Clock::duration longest) {
  (void)co_await bench.wire.until([&] { return bench.run_end(id).has_value(); }, longest);
  co_return bench.run_end(id);
}

asio::awaitable<Finding> echo(Bench& bench) {
  if (auto wrong = co_await prepared(bench, read_id(5))) co_return *wrong;
  const Rows rows{.pass = 0xA1B2C3D4, .first = 7, .rows = 3, .stride = 100, .groups = 2};
  constexpr std::uint32_t kExpected[] = {7, 8, 9, 107, 108, 109};
  const std::uint32_t id = bench.start_run(0, rows);
  const auto end = co_await finished(bench, id, 3s);
  const auto pages = bench.pages(id);
  if (!end || end->status != SCP_OK || end->done != rows.count() || end->asked != rows.count() ||
      pages.size() != rows.count())
    co_return passed_if(
        false, fmt::format("{} of {} pages, RUN_END {}", pages.size(), rows.count(),
                           end ? fmt::format("with status {}, {} of {} done", end->status, end->done, end->asked)
                               : "missing"));
  std::size_t right = 0;
  for (std::size_t i = 0; i < pages.size(); ++i)
    right += pages[i].row == kExpected[i] && pages[i].pass.value == rows.pass && pages[i].target == 0 &&
                     pages[i].bytes.size() == 5 && !pages[i].wp_high
                 ? 1
                 : 0;
  co_return passed_if(
      right == pages.size(),
      fmt::format("{} of {} pages echo pass A1B2C3D4, row, target, length and WP# low", right, pages.size()),
      Measured{static_cast<double>(right), "pages", fmt::format("{}", pages.size())});
}

// What is wrong with the order of a run's pages and the sequence numbers of the page channel.
std::string disorder(Bench& bench, std::uint32_t id, std::uint32_t first_row) {
  std::uint32_t row = first_row;
  for (const protocol::PageData& page : bench.pages(id))
    if (page.row != row++) return fmt::format("row {} came where {} belongs", page.row, row - 1);
  std::optional<std::uint32_t> last;
  for (const Received& frame : bench.wire.received()) {
    if (frame.header.channel != SCP_CHANNEL_PAGE) continue;
    if (last && frame.header.sequence != *last + 1)
      return fmt::format("sequence {} came behind {}", frame.header.sequence, *last);
    last = frame.header.sequence;
  }
  return {};
}

asio::awaitable<Finding> order(Bench& bench) {
  if (auto wrong = co_await prepared(bench, read_id(64))) co_return *wrong;
  bench.wire.forget();
  constexpr std::uint32_t kRows = 500;
  const std::uint32_t id = bench.start_run(0, {.first = 10, .rows = kRows});
  const auto end = co_await finished(bench, id, 10s);
  const std::size_t came = bench.pages(id).size();
  const std::string wrong = disorder(bench, id, 10);
  co_return passed_if(end && came == kRows && wrong.empty(),
                      wrong.empty() ? fmt::format("{} of {} pages, rows and sequences rising{}", came, kRows,
                                                  end ? "" : ", no RUN_END")
                                    : wrong,
                      Measured{static_cast<double>(came), "pages", fmt::format("{}", kRows)});
}

// Nobody listens for a while: the board has to wait with the pages, not lose them, and to stay alive.
asio::awaitable<Finding> full_pipe(Bench& bench) {
  if (auto wrong = co_await prepared(bench, read_id(kLongRead))) co_return *wrong;
  bench.wire.forget();
  constexpr std::uint32_t kRows = 1000;
  const std::uint32_t id = bench.start_run(0, {.rows = kRows});
  bench.wire.listen(false);
  co_await bench.wire.sleep(700ms);
  bench.wire.listen(true);
  const auto end = co_await finished(bench, id, 20s);
  const std::size_t came = bench.pages(id).size();
  const std::string wrong = disorder(bench, id, 0);
  const auto state = co_await bench.state();
  const bool good = end && came == kRows && wrong.empty() && state && state->socket_on == 1;
  co_return passed_if(good,
                      !wrong.empty() ? wrong
                                     : fmt::format("{} of {} pages after 0.7 s without a listener, rail {}", came,
                                                   kRows, state && state->socket_on == 1 ? "on" : "OFF"),
                      Measured{static_cast<double>(came), "pages", fmt::format("{}", kRows)});
}

asio::awaitable<Finding> queue(Bench& bench) {
  if (auto wrong = co_await prepared(bench, read_id(kLongRead))) co_return *wrong;
  std::vector<std::uint32_t> ids;
  for (unsigned i = 0; i <= SCP_RUN_QUEUE; ++i) ids.push_back(bench.start_run(0, {.rows = kManyRows}));
  unsigned accepted = 0;
  Reply last;
  for (const std::uint32_t id : ids) {
    last = co_await bench.wire.answer(id, 3s);
    accepted += last.is(SCP_OK) ? 1 : 0;
  }
  (void)co_await bench.wire.ask(SCP_ABORT, Payload().u64(2).done(), 5s);
  co_return passed_if(accepted == SCP_RUN_QUEUE && last.is(SCP_BUSY),
                      fmt::format("{} runs accepted, the next: {}", accepted, to_text(last)),
                      Measured{static_cast<double>(accepted), "runs", fmt::format("{}", int{SCP_RUN_QUEUE})});
}

// After the answer with the nonce nothing of the past may come; how long it takes depends on whether somebody
// listened before.
asio::awaitable<Finding> aborts(Bench& bench, bool deaf) {
  if (auto wrong = co_await prepared(bench, read_id(kLongRead))) co_return *wrong;
  bench.wire.forget();
  const std::uint32_t run = bench.start_run(0, {.rows = kManyRows});
  (void)co_await bench.wire.answer(run);
  if (deaf) {
    bench.wire.listen(false);
    co_await bench.wire.sleep(300ms);
  }
  const Bytes nonce = Payload().u64(deaf ? 0xDEAFDEAFDEAFDEAF : 0x600DF00D600DF00D).done();
  const std::uint32_t id = bench.wire.send(SCP_ABORT, nonce);
  if (deaf) {
    co_await bench.wire.sleep(50ms);
    bench.wire.listen(true);
  }
  const Reply reply = co_await bench.wire.answer(id, 5s);
  if (!reply.is(SCP_OK) || reply.rest != nonce) co_return passed_if(false, "ABORT: " + to_text(reply));
  co_await bench.wire.sleep(100ms);
  bool behind = false;
  std::size_t drained = 0, late = 0;
  for (const Received& frame : bench.wire.received()) {
    if (frame.header.request_id == id) behind = true;
    if (frame.header.request_id != run) continue;
    ++(behind ? late : drained);
  }
  const auto state = co_await bench.state();
  const double limit = deaf ? 5000 : 250;  // a full pipe takes as long as the link is slow
  const bool still = !state || state->running != 0;
  co_return passed_if(late == 0 && !still && reply.ms <= limit,
                      fmt::format("{} frames in front of the nonce, {} of the run behind it{}{}", drained, late,
                                  still ? "; BOARD_STATE says it still runs" : "", deaf ? "" : ", pipe open"),
                      Measured{reply.ms, "ms", fmt::format("at most {}", limit)});
}
asio::awaitable<Finding> abort_open(Bench& bench) {
  return aborts(bench, false);
}
asio::awaitable<Finding> abort_deaf(Bench& bench) {
  return aborts(bench, true);
}

// A host that hangs neither listens nor speaks: the rail must go although the pipe is full.
asio::awaitable<Finding> hung_host(Bench& bench) {
  if (auto wrong = co_await prepared(bench, read_id(kLongRead))) co_return *wrong;
  const std::uint32_t run = bench.start_run(0, {.rows = kManyRows});
  (void)co_await bench.wire.answer(run);
  bench.wire.beat(false);
  bench.wire.listen(false);
  co_await bench.wire.sleep(1200ms);
  bench.wire.listen(true);
  (void)co_await bench.wire.until([&] { return bench.run_end(run).has_value(); }, 5s);
  const auto end = bench.run_end(run);
  const auto state = co_await bench.state();
  const bool off = state && state->socket_on == 0;
  co_return passed_if(off && end && end->status == SCP_RAIL_LOST,
                      fmt::format("after 1.2 s the rail is {}, RUN_END {}", off ? "off" : "ON",
                                  end ? fmt::format("with status {}", end->status) : "is missing"));
}

asio::awaitable<Finding> rail_lost(Bench& bench) {
  if (auto wrong = co_await prepared(bench, read_id(kLongRead))) co_return *wrong;
  const std::uint32_t id = bench.start_run(0, {.rows = kManyRows});
  (void)co_await bench.wire.answer(id);
  const Reply off = co_await bench.wire.ask(SCP_SOCKET_OFF, {}, 5s);
  const auto end = co_await finished(bench, id, 5s);
  const bool good =
      off.is(SCP_OK) && end && end->status == SCP_RAIL_LOST && end->done < end->asked && end->asked == kManyRows;
  co_return passed_if(
      good, fmt::format("SOCKET_OFF in a run: {}; RUN_END {}", to_text(off),
                        end ? fmt::format("with status {}, {} of {} done", end->status, end->done, end->asked)
                            : "is missing"));
}

asio::awaitable<Finding> ready_pin(Bench& bench) {
  constexpr unsigned kWait_us = 5000;
  if (auto wrong =
          co_await prepared(bench, Payload().u8(SCP_OP_COMMAND).u8(0xFF).u8(SCP_OP_WAIT_RB).u32(kWait_us).done()))
    co_return *wrong;
  const std::uint32_t id = bench.start_run(0, {});
  const auto end = co_await finished(bench, id, 3s);
  const auto pages = bench.pages(id);
  if (!end || pages.size() != 1) co_return passed_if(false, "RESET gave no page frame");
  const protocol::PageData& page = pages.front();
  const Measured measured{static_cast<double>(page.busy.value) / 1000, "us", fmt::format("at most {}", kWait_us)};
  if (page.ready_timeout)
    co_return passed_if(false, "R/B# stays low after RESET: its pull-up is missing, or a chip is stuck", measured);
  if (bench.chip_answers)
    co_return passed_if(
        page.busy_seen,
        page.busy_seen ? "R/B# fell and rose again" : "R/B# was not seen low although a chip answers", measured);
  co_return passed_if(!page.busy_seen,
                      page.busy_seen ? "R/B# moves in a socket where nothing answers"
                                     : "no chip: R/B# stays high, and the page says so",
                      measured);
}

asio::awaitable<Finding> status_poll(Bench& bench) {
  if (!bench.chip_answers)
    co_return not_applicable(fmt::format(
        "nothing in the socket answers at {} mV: put in a test chip that nobody needs", bench.socket_mv()));
  constexpr unsigned kWait_us = 5000;
  if (auto wrong = co_await prepared(
          bench, Payload().u8(SCP_OP_COMMAND).u8(0xFF).u8(SCP_OP_WAIT_STATUS).u32(kWait_us).done()))
    co_return *wrong;
  const std::uint32_t id = bench.start_run(0, {});
  (void)co_await finished(bench, id, 3s);
  const auto pages = bench.pages(id);
  if (pages.size() != 1) co_return passed_if(false, "RESET gave no page frame");
  co_return passed_if(
      !pages.front().ready_timeout, pages.front().ready_timeout ? "status bit 6 never rose" : "status bit 6 rose",
      Measured{static_cast<double>(pages.front().busy.value) / 1000, "us", fmt::format("at most {}", kWait_us)});
}

asio::awaitable<Finding> same_id(Bench& bench) {
  if (!bench.chip_answers) co_return not_applicable("nothing in the socket answers");
  if (auto wrong = co_await prepared(bench, read_id(5))) co_return *wrong;
  constexpr std::uint32_t kTimes = 100;
  const std::uint32_t id = bench.start_run(0, {.rows = kTimes});
  (void)co_await finished(bench, id, 3s);
  const auto pages = bench.pages(id);
  std::size_t same = 0;
  for (const protocol::PageData& page : pages)
    same +=
        std::equal(page.bytes.begin(), page.bytes.end(), pages.front().bytes.begin(), pages.front().bytes.end())
            ? 1
            : 0;
  co_return passed_if(same == kTimes, fmt::format("{} of {} reads of the ID are the same", same, kTimes),
                      Measured{static_cast<double>(same), "reads", fmt::format("{}", kTimes)});
}

constexpr Duty kPageDuties[] = {
    {"page_echo", "a page frame carries pass, row, target and WP# back", SCP_CAN_SOCKET, echo},
    {"page_order", "pages come in order, each once, then the run's end", SCP_CAN_SOCKET, order},
    {"full_pipe", "with the pipe full the board waits between pages and loses none", SCP_CAN_SOCKET, full_pipe},
    {"run_queue", "8 runs wait in order, a ninth is refused", SCP_CAN_SOCKET, queue},
    {"abort_open", "ABORT ends a run within one iteration", SCP_CAN_SOCKET, abort_open},
    {"abort_deaf", "ABORT drains a full pipe up to its nonce", SCP_CAN_SOCKET, abort_deaf},
    {"hung_host", "a host that hangs loses the rail although the pipe is full", SCP_CAN_SOCKET, hung_host},
    {"rail_lost", "a run that loses its rail says so", SCP_CAN_SOCKET, rail_lost},
    {"ready_pin", "R/B# is followed edge by edge", SCP_CAN_SOCKET, ready_pin},
    {"status_poll", "the same by status polling", SCP_CAN_SOCKET, status_poll},
    {"same_id", "the bus reads the same 100 times", SCP_CAN_SOCKET, same_id},
};

}  // namespace

std::span<const Duty> page_duties() {
  return kPageDuties;
}

}  // namespace steadycell::conform
