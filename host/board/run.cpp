// Running bus programs: pages on their way to the sink, and asking again for what did not come whole.
#include <algorithm>
#include <deque>

#include "board/inside.h"

namespace steadycell::board {
namespace {

using namespace std::chrono_literals;

constexpr std::uint8_t kSlot = 0;
constexpr int kMoreTries = 3;                 // for a page that does not come whole
constexpr int kFruitless = 3;                 // silences on end, without a page between them
constexpr std::size_t kMaxRanges = 4096;      // damaged stretches of one run: beyond, the cable is what to look at
constexpr std::uint64_t kMaxAsked = 1 << 30;  // pages of one PROGRAM_RUN: sequence numbers stay unambiguous

// What is still to be read of a run's range.
struct Work {
  IndexRange range;
  int tries = 0;
};

// The longest part from the front of `wanted` that one PROGRAM_RUN can name: whole groups, or pages of one group.
std::pair<IndexRange, RowRange> first_part(const RowRange& all, IndexRange wanted) {
  const std::uint64_t in_group = wanted.first % all.rows, length = wanted.end - wanted.first;
  RowRange rows = all;
  rows.first = all.at(wanted.first);
  if (in_group == 0 && length >= all.rows) {
    rows.groups =
        static_cast<std::uint32_t>(std::min(length, std::max<std::uint64_t>(kMaxAsked, all.rows)) / all.rows);
  } else {
    rows.rows = static_cast<std::uint32_t>(std::min(length, all.rows - in_group));
    rows.groups = 1;
  }
  return {{wanted.first, wanted.first + rows.count()}, rows};
}

}  // namespace

// ---- Frames ----

void BoardClient::Inside::on_page_channel(const scp_header& header, ByteSpan payload) {
  if (run == nullptr || header.request_id != run->request_id || run->ended) {
    ++stats.late_answers;
    note(LinkNote::Kind::late_answer, false, "a page of a run that is over");
    return;
  }
  run->last_heard = time.now();
  if (static_cast<std::int32_t>(header.sequence - page_sequence) < 0) {
    ++stats.duplicates;  // what was overtaken is missing by now and asked for again
    note(LinkNote::Kind::duplicate, false, "a page came twice or late");
    return;
  }
  if (header.type == SCP_RUN_END) return on_run_end(header, payload);
  on_page(header, payload);
}

void BoardClient::Inside::on_run_end(const scp_header& header, ByteSpan payload) {
  const auto end = protocol::decode_run_end(payload);
  const std::uint32_t before = header.sequence - run->base_sequence;  // frames of the run in front of this one
  const std::uint64_t count = run->asked.end - run->asked.first;
  if (!end || end->done != before || end->done > count || (end->status == SCP_OK && end->done != count)) {
    ++stats.wrong_addresses;
    note(LinkNote::Kind::wrong_address, true, "the end of a run does not fit the run");
    return;
  }
  if (const std::uint64_t done = run->asked.first + end->done; run->next < done) {
    ++stats.gaps;
    note(LinkNote::Kind::gap, false, fmt::format("{} pages are missing at the end of a run", done - run->next));
    run->missing.push_back({run->next, done});
    run->next = done;
  }
  page_sequence = header.sequence + 1;
  run->ended = true;
  run->end_status = end->status;
  changed.wake_all();
}

void BoardClient::Inside::on_page(const scp_header& header, ByteSpan payload) {
  const RunRequest& request = run->request;
  const std::uint64_t index = run->asked.first + (header.sequence - run->base_sequence);
  const auto page = protocol::decode_page_data(payload);
  const std::uint32_t output = request.program->output_bytes();
  const bool as_expected = header.type == SCP_PAGE_DATA && page && index < run->asked.end &&
                           page->row == request.rows.at(index) && page->target == request.target &&
                           page->pass == request.pass &&
                           (page->ready_timeout ? page->bytes.size() <= output : page->bytes.size() == output);
  if (!as_expected) {
    // Its checksum is right, so this is no noise. As if it had not come: its place shows as a gap and is read
    // again.
    ++stats.wrong_addresses;
    note(LinkNote::Kind::wrong_address, true,
         page ? fmt::format("a page says target {}, row {}, pass {}, {} bytes: not what was asked for",
                            page->target, page->row, page->pass, page->bytes.size())
              : page.error().what());
    return;
  }
  if (index > run->next) {
    ++stats.gaps;
    note(LinkNote::Kind::gap, false,
         fmt::format("{} pages are missing in front of row {}", index - run->next, page->row));
    run->missing.push_back({run->next, index});
  }
  run->next = index + 1;
  page_sequence = header.sequence + 1;

  PageFrame frame;
  frame.index = index;
  frame.outcome = page->ready_timeout ? PageOutcome::ready_timeout : PageOutcome::read;
  frame.busy_seen = page->busy_seen;
  frame.wp_high = page->wp_high;
  frame.busy = page->busy;
  frame.bytes = page->bytes;
  ++run->stats.pages;
  if (page->ready_timeout) ++run->stats.ready_timeouts;
  run->stats.busy = run->stats.busy + page->busy;
  run->stats.longest_busy = std::max(run->stats.longest_busy, page->busy);
  if (run->refused_by_sink || run->sink.on_page(frame)) return;
  run->refused_by_sink = true;
  changed.wake_all();
}

// ---- Runs ----

Error cut_for_silence(std::string_view rail) {
  return Error(ErrorCode::link_lost,
               fmt::format("the board heard nothing for 500 ms and switched {} off: the link failed, or this computer was too busy to send",
                           rail));
}

Error BoardClient::Inside::loss_of(scp_rail rail) const {
  const char* const name = rail == SCP_RAIL_SOCKET ? "the socket" : "the port";
  const auto& loss = rail_loss[rail];
  switch (loss ? loss->kind : 0) {
    case SCP_EVENT_LID_OPENED:
      return Error(ErrorCode::lid_open, "the lid was opened; the board switched the socket off");
    case SCP_EVENT_SOCKET_TRIP:
    case SCP_EVENT_PORT_TRIP:
      return Error(ErrorCode::current_limit,
                   fmt::format("{} reached its limit at {} mA and was cut", name, loss->detail));
    case SCP_EVENT_HEARTBEAT_CUT:
      return cut_for_silence(name).advising(
          "let this computer do less and check the link (with USB the cable), then repeat the command: it goes on where it stopped");
    default:
      return rail_off(fmt::format("{} is off, and the board did not say why", name));
  }
}

asio::awaitable<Result<void>> BoardClient::Inside::load(const protocol::BusProgram& program) {
  if (program.bytes() == loaded_program) co_return Result<void>();
  loaded_program.clear();
  protocol::ProgramLoad request;
  request.slot = kSlot;
  request.program = &program;
  const auto loaded = co_await ask(request, kAnswer);
  if (!loaded) co_return failure(Error(loaded.error()).during("loading a bus program"));
  loaded_program = program.bytes();
  co_return Result<void>();
}

asio::awaitable<Result<void>> BoardClient::Inside::attempt(ActiveRun& active) {
  const auto ready = co_await prepare(true);
  if (!ready) co_return failure(ready.error());
  protocol::ProgramRun request;
  request.slot = kSlot;
  request.target = active.request.target;
  request.pass = active.request.pass;
  request.rows = active.rows;
  const std::uint64_t mine = session;
  const std::uint32_t id = this->request(protocol::ProgramRun::type, protocol::encode(request));
  active.request_id = id;
  active.base_sequence = page_sequence;
  active.last_heard = time.now();
  run = &active;
  // The answer may be damaged on the way; pages say as well that the run was accepted.
  const auto refused = [&] { return waiting.at(id) && waiting.at(id)->status != SCP_OK; };
  while (!broken && !restart_suspected && session == mine && !active.ended && !active.refused_by_sink &&
         !stopped() && !refused() && active.missing.size() < kMaxRanges &&
         time.now() - active.last_heard < active.request.page_timeout)
    co_await changed.wait(kSlice);
  run = nullptr;
  const auto answer = take_answer(id);

  if (broken) co_return failure(*broken);
  if (session != mine) co_return failure(ErrorCode::link_lost, "the board restarted by itself: its rails are off");
  if (restart_suspected) {
    Error error = co_await greet_again();
    co_return failure(std::move(error));
  }
  if (answer && answer->status == SCP_REFUSED_RAIL && rail_loss[SCP_RAIL_SOCKET])
    co_return failure(loss_of(SCP_RAIL_SOCKET));
  if (answer && answer->status != SCP_OK) co_return failure(error_of(answer->status, answer->detail));
  if (active.ended && !active.refused_by_sink) {
    if (active.end_status == SCP_RAIL_LOST) co_return failure(loss_of(SCP_RAIL_SOCKET));
    if (active.end_status != SCP_OK) co_return failure(error_of(active.end_status, 0));
    co_return Result<void>();
  }
  Result<void> in_step;
  if (!active.ended) in_step = co_await resync(true);
  if (active.refused_by_sink || stopped()) co_return failure(ErrorCode::interrupted, "stopped on request");
  co_return in_step;
}

asio::awaitable<Result<RunStats>> BoardClient::run(RunRequest request, PageSink& sink) {
  Inside& inside = *inside_;
  const auto loaded = co_await inside.load(*request.program);
  if (!loaded) co_return failure(loaded.error());

  RunStats stats;
  int fruitless = 0;
  std::deque<Work> work{{{0, request.rows.count()}, 0}};
  while (!work.empty()) {
    Work now = work.front();
    work.pop_front();
    if (now.tries > kMoreTries) {
      PageFrame none;
      none.outcome = PageOutcome::transfer_error;
      for (none.index = now.range.first; none.index < now.range.end; ++none.index) {
        ++stats.transfer_errors;
        if (!sink.on_page(none)) co_return failure(ErrorCode::interrupted, "stopped on request");
      }
      continue;
    }
    const auto [asked, rows] = first_part(request.rows, now.range);
    if (asked.end < now.range.end) work.push_front({{asked.end, now.range.end}, now.tries});
    if (now.tries > 0) stats.read_again += asked.end - asked.first;
    const std::uint64_t pages_before = stats.pages;
    ActiveRun active(request, sink, stats, asked, rows);
    const auto done = co_await inside.attempt(active);
    if (!done) co_return failure(done.error());

    if (active.next < asked.end) {
      // Silence. What it stopped at had its try; what lies behind was never asked for.
      active.missing.push_back({active.next, active.next + 1});
      if (active.next + 1 < asked.end) work.push_front({{active.next + 1, asked.end}, now.tries});
      fruitless = stats.pages == pages_before ? fruitless + 1 : 0;
      if (fruitless == kFruitless)
        co_return failure(ErrorCode::board_timeout, "{} gave no page in {} tries, though it answers", describe(),
                          kFruitless);
    }
    for (const IndexRange& gap : active.missing) work.push_back({gap, now.tries + 1});
    if (work.size() > kMaxRanges)
      co_return failure(ErrorCode::frame_corrupt, "more than {} stretches of one run arrived damaged", kMaxRanges);
  }
  co_return stats;
}

}  // namespace steadycell::board
