#include "board/client.h"

#include <boost/asio/this_coro.hpp>
#include <cassert>

#include "board/inside.h"

namespace steadycell::board {
namespace {

using namespace std::chrono_literals;

constexpr auto kAnswer = 2s;
constexpr auto kSwitchOn = 3s;    // ramp and settling included
constexpr auto kSwitchOff = 4s;   // the board itself bleeds for at most 2 s
constexpr auto kContact = 5s;     // 49 positions at some milliseconds each
constexpr int kAttempts = 3;      // for a page that does not come whole
constexpr std::uint8_t kSlot = 0;

}  // namespace

BoardClient::BoardClient(std::shared_ptr<Inside> inside) : inside_(std::move(inside)) {}
BoardClient::~BoardClient() { assert(inside_->closing && "close() was not awaited"); }

asio::awaitable<Result<std::unique_ptr<BoardClient>>> BoardClient::connect(std::unique_ptr<link::Link> link, const std::atomic<bool>* stop) {
  const auto executor = co_await asio::this_coro::executor;
  auto inside = std::make_shared<Inside>(std::move(link), executor, stop);
  std::unique_ptr<BoardClient> client(new BoardClient(inside));
  inside->start();
  const auto greeted = co_await inside->hello();
  if (!greeted) {
    co_await client->close();
    co_return failure(greeted.error());
  }
  co_return std::move(client);
}

const BoardInfo& BoardClient::info() const { return inside_->info; }
const LinkStats& BoardClient::stats() const { return inside_->stats; }
std::string BoardClient::describe() const { return inside_->link->describe(); }
bool BoardClient::lost() const { return inside_->broken.has_value(); }

asio::awaitable<Result<scp_board_state>> BoardClient::state() {
  const auto answer = co_await inside_->ask(SCP_BOARD_STATE, {}, kAnswer);
  if (!answer) co_return failure(answer.error());
  if (answer->size() != SCP_BOARD_STATE_BYTES) co_return failure(ErrorCode::board_garbage, "the board's state has {} bytes", answer->size());
  scp_board_state state{};
  scp_get_board_state(answer->data(), &state);
  co_return state;
}

asio::awaitable<Result<void>> BoardClient::bus_setup(BusSetup setup) {
  Bytes payload{setup.timing_mode, setup.bus_bits, static_cast<std::uint8_t>(setup.small_page ? SCP_SMALL_PAGE : SCP_LARGE_PAGE),
                setup.column_cycles, setup.row_cycles, 0, 0, 0};
  const auto answer = co_await inside_->ask(SCP_BUS_SETUP, std::move(payload), kAnswer);
  if (!answer) co_return failure(Error(answer.error()).during("setting up the chip's bus"));
  co_return Result<void>();
}

asio::awaitable<Result<void>> BoardClient::Inside::attempt(ActiveRun& active, RowRange rows) {
  Bytes payload(24);
  const MutableByteSpan at(payload);
  payload[0] = kSlot;
  payload[1] = active.request->target;
  store_u32(at.subspan(4), active.request->pass.value);
  store_u32(at.subspan(8), rows.first);
  store_u32(at.subspan(12), rows.rows);
  store_u32(at.subspan(16), rows.stride);
  store_u32(at.subspan(20), rows.groups);
  active.ended = false;
  active.last_frame = Clock::now();
  active.request_id = next_id;  // frames may come together with the answer
  run = &active;
  const auto accepted = co_await ask(SCP_PROGRAM_RUN, std::move(payload), kAnswer);
  if (!accepted) {
    run = nullptr;
    co_return failure(accepted.error());
  }
  while (!broken && !active.ended && !active.refused_by_sink && !stopped() && Clock::now() - active.last_frame < active.request->page_timeout)
    co_await wait_for_change(50ms);
  run = nullptr;
  if (broken) co_return failure(*broken);
  if (active.ended) {
    if (active.end_status != SCP_OK) co_return failure(error_of({active.end_status, 0, {}}));
    co_return Result<void>();
  }
  const bool unwanted = active.refused_by_sink || stopped();
  const auto in_step = co_await resync();
  if (unwanted) co_return failure(ErrorCode::interrupted, "stopped on request");
  if (!in_step) co_return failure(in_step.error());
  co_return Result<void>();  // silence: what is missing is asked for again
}

asio::awaitable<Result<RunStats>> BoardClient::run(RunRequest request, PageSink& sink) {
  const Bytes& program = request.program->bytes();
  Bytes load(4 + program.size());
  load[0] = kSlot;
  store_u16(MutableByteSpan(load).subspan(2), static_cast<std::uint16_t>(program.size()));
  std::copy(program.begin(), program.end(), load.begin() + 4);
  const auto loaded = co_await inside_->ask(SCP_PROGRAM_LOAD, std::move(load), kAnswer);
  if (!loaded) co_return failure(Error(loaded.error()).during("loading a bus program"));

  RunStats stats;
  ActiveRun active(request, sink);
  active.count = request.rows.count();
  const auto whole = co_await inside_->attempt(active, request.rows);
  if (!whole) co_return failure(whole.error());
  // What never came: behind a silence or a lost end it is the whole rest, group by group or page by page.
  for (int fruitless = 0; active.next < active.count && fruitless < kAttempts;) {
    const std::uint64_t before = active.next;
    const std::uint64_t in_group = before % request.rows.rows;
    RowRange rest = request.rows;
    rest.first = request.rows.at(before);
    rest.rows = static_cast<std::uint32_t>(in_group == 0 ? request.rows.rows : request.rows.rows - in_group);
    rest.groups = static_cast<std::uint32_t>(in_group == 0 ? (active.count - before) / request.rows.rows : 1);
    active.from = before;
    const std::uint64_t saved_count = active.count;
    active.count = rest.count();
    const auto again = co_await inside_->attempt(active, rest);
    active.from = 0;
    active.count = saved_count;
    if (!again) co_return failure(again.error());
    // The attempt ended, so whatever of it did not come is missing.
    fruitless = active.next == before ? fruitless + 1 : 0;
  }
  for (std::uint64_t index = active.next; index < active.count; ++index) active.missing.insert(index);
  active.next = active.count;

  const std::set<std::uint64_t> missing = active.missing;
  for (const std::uint64_t index : missing) {
    for (int i = 0; i < kAttempts && active.missing.contains(index); ++i) {
      ++stats.read_again;
      const RowRange one{.first = request.rows.at(index), .rows = 1, .stride = 1, .groups = 1};
      const auto again = co_await inside_->attempt(active, one);
      if (!again) co_return failure(again.error());
    }
    if (!active.missing.contains(index)) continue;
    ++stats.transfer_errors;
    PageFrame none;
    none.index = index;
    none.outcome = PageOutcome::transfer_error;
    if (!sink.on_page(none)) co_return failure(ErrorCode::interrupted, "stopped on request");
  }
  stats.pages = active.delivered;
  co_return stats;
}

namespace {

class CollectOne final : public PageSink {
 public:
  bool on_page(const PageFrame& page) override {
    outcome = page.outcome;
    bytes.assign(page.bytes.begin(), page.bytes.end());
    return true;
  }
  PageOutcome outcome = PageOutcome::transfer_error;
  Bytes bytes;
};

}  // namespace

asio::awaitable<Result<Bytes>> BoardClient::run_once(const protocol::BusProgram& program, std::uint8_t target) {
  CollectOne sink;
  RunRequest request;
  request.program = &program;
  request.target = target;
  const auto ran = co_await run(request, sink);
  if (!ran) co_return failure(ran.error());
  if (sink.outcome == PageOutcome::transfer_error) co_return failure(ErrorCode::frame_corrupt, "an answer of {} bytes did not come over whole in {} tries", program.output_bytes(), kAttempts + 1);
  co_return std::move(sink.bytes);
}

asio::awaitable<Result<std::vector<ContactReading>>> BoardClient::contacts(std::uint8_t first, std::uint8_t count) {
  constexpr std::size_t kReading = 5;
  Bytes payload{first, count};
  const auto answer = co_await inside_->ask(SCP_CONTACT_MEASURE, std::move(payload), kContact);
  if (!answer) co_return failure(Error(answer.error()).during("measuring contacts"));
  if (answer->size() != 2 + count * kReading || (*answer)[0] != first || (*answer)[1] != count)
    co_return failure(ErrorCode::board_garbage, "the contact measurement has {} bytes", answer->size());
  std::vector<ContactReading> readings(count);
  for (std::size_t i = 0; i < readings.size(); ++i) {
    const ByteSpan at = ByteSpan(*answer).subspan(2 + i * kReading);
    readings[i] = {static_cast<std::int16_t>(load_u16(at)), static_cast<std::int16_t>(load_u16(at.subspan(2))), at[4]};
  }
  co_return readings;
}

asio::awaitable<Result<void>> BoardClient::trust_socket(Bytes id) {
  Bytes payload(1 + id.size());
  payload[0] = static_cast<std::uint8_t>(id.size());
  std::copy(id.begin(), id.end(), payload.begin() + 1);
  const auto answer = co_await inside_->ask(SCP_SOCKET_TRUST, std::move(payload), kAnswer);
  if (!answer) co_return failure(Error(answer.error()).during("confirming a 1.8 V chip"));
  co_return Result<void>();
}

void BoardClient::on_event(EventSink sink) { inside_->events = std::move(sink); }

asio::awaitable<Result<void>> BoardClient::start_supply(scp_rail rail, Nanoseconds averaged, Nanoseconds burst, std::chrono::milliseconds burst_length, SampleSink sink) {
  Bytes payload(12);
  const MutableByteSpan at(payload);
  payload[0] = static_cast<std::uint8_t>(rail);
  store_u16(at.subspan(2), static_cast<std::uint16_t>(burst_length.count()));
  store_u32(at.subspan(4), static_cast<std::uint32_t>(averaged.value));
  store_u32(at.subspan(8), static_cast<std::uint32_t>(burst.value));
  inside_->samples = std::move(sink);
  const auto answer = co_await inside_->ask(SCP_SUPPLY_START, std::move(payload), kAnswer);
  if (!answer) co_return failure(Error(answer.error()).during("starting the supply measurement"));
  co_return Result<void>();
}

asio::awaitable<Result<std::uint32_t>> BoardClient::stop_supply() {
  const auto answer = co_await inside_->ask(SCP_SUPPLY_STOP, {}, kAnswer, false);
  inside_->samples = nullptr;
  if (!answer) co_return failure(Error(answer.error()).during("ending the supply measurement"));
  if (answer->size() != 4) co_return failure(ErrorCode::board_garbage, "the end of the supply measurement has {} bytes", answer->size());
  co_return load_u32(*answer);
}

asio::awaitable<Result<Millivolts>> BoardClient::switch_on(scp_type type, Bytes payload) {
  const auto answer = co_await inside_->ask(static_cast<std::uint16_t>(type), std::move(payload), kSwitchOn);
  if (!answer) co_return failure(answer.error());
  co_return Millivolts(answer->size() >= 2 ? load_u16(*answer) : 0);
}

asio::awaitable<Result<void>> BoardClient::switch_off(scp_type type) {
  const auto answer = co_await inside_->ask(static_cast<std::uint16_t>(type), {}, kSwitchOff, false);
  if (!answer) co_return failure(Error(answer.error()).during("switching {} off", type == SCP_SOCKET_OFF ? "the socket" : "the port"));
  co_return Result<void>();
}

asio::awaitable<void> BoardClient::close() {
  inside_->closing = true;
  inside_->link->close();
  inside_->outgoing_wake.cancel();
  inside_->heartbeat_wake.cancel();
  while (inside_->coroutines > 0) co_await inside_->wait_for_change(10ms);
}

}  // namespace steadycell::board
