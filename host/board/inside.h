#pragma once
#include <boost/asio/steady_timer.hpp>
#include <deque>
#include <map>
#include <set>

#include "board/client.h"

// What the client keeps while its coroutines run. Not for other rooms.
namespace steadycell::board {

using Clock = std::chrono::steady_clock;

struct Answer {
  std::uint16_t status = SCP_OK, detail = 0;
  Bytes rest;  // behind status and detail
};

// Frames of one run on their way to the sink.
struct ActiveRun {
  ActiveRun(const RunRequest& r, PageSink& s) : request(&r), sink(&s) {}

  const RunRequest* request;
  PageSink* sink;
  std::uint32_t request_id = 0;
  std::uint64_t from = 0, count = 0;  // part of the range that this attempt asked for
  std::uint64_t next = 0;             // index expected next; all before it came or are in `missing`
  std::set<std::uint64_t> missing;
  std::uint64_t delivered = 0;
  bool ended = false;                 // RUN_END came
  std::uint16_t end_status = SCP_OK;
  bool refused_by_sink = false;
  bool too_many_missing = false;
  Clock::time_point last_frame = Clock::now();
};

struct BoardClient::Inside : std::enable_shared_from_this<Inside> {
  Inside(std::unique_ptr<link::Link> l, asio::any_io_executor e, const std::atomic<bool>* s);

  std::unique_ptr<link::Link> link;
  asio::any_io_executor executor;
  const std::atomic<bool>* stop;
  BoardInfo info;
  LinkStats stats;
  std::optional<Error> broken;  // why nothing works any more
  bool closing = false;
  int coroutines = 0;           // running in the background

  // Towards the board
  std::deque<Bytes> outgoing;
  asio::steady_timer outgoing_wake, changed, heartbeat_wake;
  std::uint32_t next_id = 1, out_sequence = 0;

  // From the board
  Bytes parser_buffer;
  scp_parser parser{};
  std::uint32_t expected_sequence[SCP_CHANNELS] = {};
  std::map<std::uint32_t, std::optional<Answer>> waiting;  // requests that somebody waits for
  std::optional<std::uint32_t> draining;                   // the abort whose answer ends the drain
  std::uint64_t drained_bytes = 0;
  ActiveRun* run = nullptr;
  BoardClient::SampleSink samples;
  BoardClient::EventSink events;
  std::vector<SupplySample> sample_scratch;

  bool stopped() const { return stop != nullptr && stop->load(std::memory_order_relaxed); }
  void break_off(Error error);
  void wake() { changed.cancel(); }

  std::uint32_t send(std::uint16_t type, ByteSpan payload);
  void start();
  asio::awaitable<void> read_loop();
  asio::awaitable<void> write_loop();
  asio::awaitable<void> heartbeat_loop();
  // Sleeps until something changed, at most `longest`.
  asio::awaitable<void> wait_for_change(Clock::duration longest);

  void on_bytes(ByteSpan bytes);
  void on_frame(const scp_header& header, ByteSpan payload);
  void check_sequence(const scp_header& header);
  void on_command(const scp_header& header, ByteSpan payload);
  void on_page(const scp_header& header, ByteSpan payload);
  void on_samples(ByteSpan payload);

  // Sends and waits. Any status comes back as an Answer; board_timeout after `deadline` leaves the stream in step.
  asio::awaitable<Result<Answer>> exchange(std::uint16_t type, Bytes payload, Clock::duration deadline, bool stoppable = true);
  // The same, with a status other than OK turned into its error.
  asio::awaitable<Result<Bytes>> ask(std::uint16_t type, Bytes payload, Clock::duration deadline, bool stoppable = true);
  // Aborts everything and waits until the stream is in step again; gives the board up when it is not within the deadline.
  asio::awaitable<Result<void>> resync();
  asio::awaitable<Result<void>> hello();
  // One PROGRAM_RUN over [from, from + count) of the range and its frames until the end, a silence or a stop.
  asio::awaitable<Result<void>> attempt(ActiveRun& active, RowRange rows);
};

// The error behind a status of the board.
Error error_of(const Answer& answer);

}  // namespace steadycell::board
