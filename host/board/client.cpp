#include "board/client.h"

#include <boost/asio/this_coro.hpp>

#include "board/inside.h"

namespace steadycell::board {
namespace {

using namespace std::chrono_literals;

constexpr auto kContact = 5s;  // 49 positions at some milliseconds each
constexpr auto kFlush = 200ms;

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

Error rail_off(std::string what) {
  return Error(ErrorCode::rail_failed, std::move(what))
      .advising("if this computer was very busy, repeat the command: a board that hears nothing for 500 ms switches "
                "its rails off; else take the chip out and try the board with an empty socket");
}

Error error_of(std::uint16_t status, std::uint16_t detail) {
  const auto refused = [](std::string what) { return Error(ErrorCode::board_refused, std::move(what)); };
  switch (status) {
    case SCP_BAD_REQUEST:
      return refused(fmt::format("the board found the request malformed at byte {}", detail));
    case SCP_UNKNOWN_TYPE:
      return refused("the board cannot do that");
    case SCP_REFUSED_SEQUENCE:
      return refused(fmt::format("the board's command filter refused operation {} of the bus program", detail));
    case SCP_REFUSED_RAIL:
      return refused("the board refused it in this state of its rails");
    case SCP_BUSY:
      return refused("the board is busy with something else");
    case SCP_LID_OPEN:
      return Error(ErrorCode::lid_open, "the socket lid is open");
    case SCP_RAIL_FAILED:
      return Error(ErrorCode::rail_failed, fmt::format("the rail stood at {} mV and was cut", detail));
    case SCP_CURRENT_LIMIT:
      return Error(ErrorCode::current_limit,
                   fmt::format("the supply reached its limit at {} mA and was cut", detail));
    case SCP_BLEED_FAILED:
      return Error(ErrorCode::bleed_failed, fmt::format("the rail still stands at {} mV", detail));
    case SCP_WP_HIGH:
      return Error(ErrorCode::write_protect, "WP# is high");
    case SCP_VERSION_MISMATCH:
      return Error(ErrorCode::protocol_version,
                   fmt::format("the board speaks protocol {} to {}, this program {} to {}", detail >> 8,
                               detail & 0xFF, int{SCP_VERSION_OLDEST}, int{SCP_VERSION}));
    case SCP_NO_SUCH_PROGRAM:
      return refused("the board has no such bus program");
    case SCP_ABORTED:
      return refused("the board gave it up on an abort");
    case SCP_RAIL_LOST:
      return rail_off("the rail went off while the board worked");
    default:
      return refused(fmt::format("the board answered with status {}", status));
  }
}

BoardClient::BoardClient(std::shared_ptr<Inside> inside) : inside_(std::move(inside)) {}

// Without close() (an exception passed by) the coroutines end when their executor runs next; they hold what they
// use.
BoardClient::~BoardClient() {
  if (inside_->closing) return;
  inside_->closing = true;
  inside_->link->close();
  inside_->outgoing_wake.cancel();
  inside_->heartbeat_wake.cancel();
}

asio::awaitable<Result<std::unique_ptr<BoardClient>>> BoardClient::connect(std::unique_ptr<link::Link> link,
                                                                           const std::atomic<bool>* stop,
                                                                           TimeSource& time) {
  const auto executor = co_await asio::this_coro::executor;
  auto inside = std::make_shared<Inside>(std::move(link), executor, stop, time);
  std::unique_ptr<BoardClient> client(new BoardClient(inside));
  inside->start();
  const auto greeted = co_await inside->hello();
  if (!greeted) {
    co_await client->close();
    co_return failure(Error(greeted.error()).during("greeting the board"));
  }
  inside->link->open_side(inside->info.uuid);
  co_return std::move(client);
}

const BoardInfo& BoardClient::info() const {
  return inside_->info;
}
LinkStats BoardClient::stats() const {
  return inside_->stats;
}
std::string BoardClient::describe() const {
  return inside_->link->describe();
}
std::optional<scu_meter> BoardClient::meter() const {
  return inside_->meter;
}
bool BoardClient::lost() const {
  return inside_->broken.has_value();
}
void BoardClient::on_event(EventSink sink) {
  inside_->events = std::move(sink);
}
void BoardClient::on_note(NoteSink sink) {
  inside_->notes = std::move(sink);
}

asio::awaitable<Result<scp_board_state>> BoardClient::state() {
  const auto rest = co_await inside_->ask(SCP_BOARD_STATE, {}, kAnswer);
  if (!rest) co_return failure(Error(rest.error()).during("asking for the board's state"));
  co_return protocol::decode_board_state(*rest);
}

asio::awaitable<Result<void>> BoardClient::bus_setup(BusSetup setup) {
  const auto done = co_await inside_->ask(setup, kAnswer);
  if (!done) co_return failure(Error(done.error()).during("setting up the chip's bus"));
  inside_->loaded_program.clear();  // the board forgets its programs
  co_return Result<void>();
}

asio::awaitable<Result<Bytes>> BoardClient::run_once(const protocol::BusProgram& program, std::uint8_t target) {
  CollectOne sink;
  RunRequest request;
  request.program = &program;
  request.target = target;
  const auto ran = co_await run(request, sink);
  if (!ran) co_return failure(ran.error());
  if (sink.outcome == PageOutcome::transfer_error)
    co_return failure(ErrorCode::frame_corrupt, "an answer of {} bytes did not come over whole",
                      program.output_bytes());
  if (sink.outcome == PageOutcome::ready_timeout)
    co_return failure(ErrorCode::chip_busy, "R/B# of target {} stays low", target);
  co_return std::move(sink.bytes);
}

asio::awaitable<Result<std::vector<ContactReading>>> BoardClient::contacts(std::uint8_t first,
                                                                           std::uint8_t count) {
  const protocol::ContactMeasure request{first, count};
  const auto rest = co_await inside_->ask(request, kContact);
  if (!rest) co_return failure(Error(rest.error()).during("measuring contacts"));
  co_return protocol::decode_contacts(request, *rest);
}

asio::awaitable<Result<protocol::PortReading>> BoardClient::measure_port(protocol::PortMeasure request) {
  const auto rest = co_await inside_->ask(request, kContact);
  if (!rest) co_return failure(Error(rest.error()).during("measuring the port before power"));
  co_return protocol::decode_port_reading(*rest);
}

asio::awaitable<Result<void>> BoardClient::trust_socket(Bytes id) {
  protocol::SocketTrust request;
  request.id = std::move(id);
  const auto done = co_await inside_->ask(request, kAnswer);
  if (!done) co_return failure(Error(done.error()).during("confirming a 1.8 V chip"));
  co_return Result<void>();
}

asio::awaitable<Result<void>> BoardClient::start_supply(scp_rail rail, Nanoseconds averaged, Nanoseconds burst,
                                                        std::chrono::milliseconds burst_length, SampleSink sink) {
  protocol::SupplyStart request;
  request.rail = rail;
  request.burst_length = burst_length;
  request.averaged = averaged;
  request.burst = burst;
  inside_->samples = std::move(sink);
  const auto done = co_await inside_->ask(request, kAnswer);
  if (done) co_return Result<void>();
  inside_->samples = nullptr;
  co_return failure(Error(done.error()).during("starting the supply measurement"));
}

asio::awaitable<Result<std::uint32_t>> BoardClient::stop_supply() {
  const auto rest = co_await inside_->ask(SCP_SUPPLY_STOP, {}, kAnswer, false);
  inside_->samples = nullptr;
  if (!rest) co_return failure(Error(rest.error()).during("ending the supply measurement"));
  co_return protocol::decode_samples_dropped(*rest);
}

asio::awaitable<void> BoardClient::close() {
  // A lease that was dropped may have left a request to switch off.
  const auto until = inside_->time.now() + kFlush;
  while (!inside_->outgoing.empty() && !inside_->broken && inside_->time.now() < until)
    co_await inside_->changed.wait(10ms);
  inside_->closing = true;
  inside_->link->close();
  inside_->outgoing_wake.cancel();
  inside_->heartbeat_wake.cancel();
  while (inside_->coroutines > 0) co_await inside_->changed.wait(10ms);
}

}  // namespace steadycell::board
