#pragma once
#include <boost/asio/any_io_executor.hpp>
#include <boost/asio/steady_timer.hpp>
#include <map>
#include <optional>

#include "board/client.h"
#include "board/time_source.h"
#include "protocol/frame.h"

// What the client keeps while its coroutines run. Not for other rooms.
namespace steadycell::board {

using protocol::Answer;

constexpr std::chrono::seconds kAnswer(2);         // within which the board answers a request
constexpr std::chrono::milliseconds kSlice(50);    // how often a wait looks at the stop flag

// Coroutines of one thread that wait for something to change.
class Waiters {
 public:
  explicit Waiters(TimeSource& time) : time_(time) {}
  // Returns after wake_all() or `longest`; the caller looks whether what it waits for is there.
  asio::awaitable<void> wait(Clock::duration longest);
  void wake_all();

 private:
  TimeSource& time_;
  std::vector<asio::steady_timer*> timers_;
};

// Indices first, ... end - 1 of a run's range.
struct IndexRange {
  std::uint64_t first = 0, end = 0;
};

// One PROGRAM_RUN under way: the part `asked` of the request's range. A page frame's place follows from its
// sequence number, and the address it echoes must agree.
struct ActiveRun {
  ActiveRun(const RunRequest& r, PageSink& to, RunStats& counts, IndexRange part, const RowRange& part_rows)
      : request(r), sink(to), stats(counts), asked(part), rows(part_rows), next(part.first) {}

  const RunRequest& request;
  PageSink& sink;
  RunStats& stats;
  IndexRange asked;
  RowRange rows;       // the same as rows
  std::uint64_t next;  // all of `asked` before it came or is in `missing`
  std::vector<IndexRange> missing;
  std::uint32_t request_id = 0, base_sequence = 0;
  bool ended = false;  // RUN_END came
  std::uint16_t end_status = SCP_OK;
  bool refused_by_sink = false;
  Clock::time_point last_heard{};
};

struct BoardClient::Inside : std::enable_shared_from_this<Inside> {
  Inside(std::unique_ptr<link::Link> l, const asio::any_io_executor& e, const std::atomic<bool>* s, TimeSource& t);

  std::unique_ptr<link::Link> link;
  asio::any_io_executor executor;
  const std::atomic<bool>* stop;
  TimeSource& time;
  BoardInfo info;
  LinkStats stats;
  std::optional<Error> broken;  // why nothing works any more
  bool closing = false;
  int coroutines = 0;  // running in the background
  Waiters changed;

  // Towards the board: whole frames, written in this order.
  Bytes outgoing;
  asio::steady_timer outgoing_wake, heartbeat_wake;
  std::uint32_t next_id, out_sequence = 0, heartbeat_id = 0;
  bool greeted = false;
  Bytes loaded_program;  // in the board's slot

  // From the board.
  protocol::FrameReader reader;
  protocol::SequenceWindow command_sequence, supply_sequence;
  std::uint32_t page_sequence = 0;                         // of the next page frame
  std::map<std::uint32_t, std::optional<Answer>> waiting;  // requests that somebody waits for
  std::optional<std::uint32_t> draining;                   // the abort whose answer ends the drain
  std::uint64_t skipped_before_good = 0;                   // garbage bytes seen when the last good frame came
  bool paused = false;                                     // the read loop holds a frame until its sink has room
  ActiveRun* run = nullptr;
  BoardClient::SampleSink samples;
  std::vector<SupplySample> sample_scratch;
  BoardClient::EventSink events;
  BoardClient::NoteSink notes;
  std::optional<scu_meter> meter;
  bool port_kept = false;                                  // a lease wants the port on whatever becomes of the host
  std::optional<BoardEvent> rail_loss[2];  // why a rail went off by itself since it was switched on

  // A firmware that restarts begins its sequences anew. That is looked into before anything else is believed;
  // whoever waited in the old session hears of it.
  bool restart_suspected = false;
  std::uint64_t session = 0;

  bool stopped() const { return stop != nullptr && stop->load(std::memory_order_relaxed); }
  void break_off(Error error);
  void note(LinkNote::Kind kind, bool severe, std::string text);

  void start();
  void on_news(const link::LinkNews& news);
  asio::awaitable<void> read_loop();
  asio::awaitable<void> write_loop();
  asio::awaitable<void> heartbeat_loop();
  asio::awaitable<void> wait_for_room();

  void on_frame(const protocol::Frame& frame);
  void on_command(const scp_header& header, ByteSpan payload);
  void on_answer(const scp_header& header, ByteSpan payload, protocol::Arrival arrival);
  void on_page_channel(const scp_header& header, ByteSpan payload);
  void on_run_end(const scp_header& header, ByteSpan payload);
  void on_page(const scp_header& header, ByteSpan payload);
  void on_samples(const scp_header& header, ByteSpan payload);
  void count_garbage();
  void restart_sequences();

  std::uint32_t send(std::uint16_t type, ByteSpan payload);
  // Sends, and keeps a place for the answer until take_answer.
  std::uint32_t request(std::uint16_t type, ByteSpan payload);
  std::optional<Answer> take_answer(std::uint32_t id);
  asio::awaitable<std::optional<Answer>> await_answer(std::uint32_t id, Clock::time_point until, bool stoppable);
  // What stands in the way of a request, after the doubt about a restart is settled.
  asio::awaitable<Result<void>> prepare(bool stoppable);

  // Sends and waits. Any status comes back as an Answer; board_timeout after `deadline` leaves the stream in step.
  asio::awaitable<Result<Answer>> exchange(std::uint16_t type, Bytes payload, Clock::duration deadline,
                                           bool stoppable);
  // The same, with a status other than OK turned into its error; what stands behind status and detail.
  asio::awaitable<Result<Bytes>> ask(std::uint16_t type, Bytes payload, Clock::duration deadline,
                                     bool stoppable = true);
  template <typename Request>
  asio::awaitable<Result<Bytes>> ask(const Request& request, Clock::duration deadline) {
    return ask(Request::type, protocol::encode(request), deadline);
  }
  // Aborts everything and waits until the stream is in step again; gives the board up when it is not in time. A
  // stop leaves it less time, also one that comes meanwhile.
  asio::awaitable<Result<void>> resync(bool stoppable);
  // Brings the link back to life; true once that way was gone to its end.
  asio::awaitable<bool> climb(link::Rung rung);
  asio::awaitable<Result<void>> hello();
  // Greets the board again. Always an error: that it restarted, or that its sequences went back without.
  asio::awaitable<Error> greet_again();

  // Cuts all rails beside the stream. True once the board's own reading says that they are off and below 0.1 V.
  asio::awaitable<bool> cut_beside();

  asio::awaitable<Result<void>> load(const protocol::BusProgram& program);
  // One PROGRAM_RUN and its frames until the end, a silence or a stop. After a silence `next` shows how far it
  // came.
  asio::awaitable<Result<void>> attempt(ActiveRun& active);
  Error loss_of(scp_rail rail) const;
};

// A rail that went off without a word of the board: it failed, or the board had heard nothing from a busy host.
Error rail_off(std::string what);
// The error behind a status of the board.
Error error_of(std::uint16_t status, std::uint16_t detail);

}  // namespace steadycell::board
