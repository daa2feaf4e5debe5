#pragma once
#include <atomic>
#include <boost/asio/awaitable.hpp>
#include <chrono>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/bytes.h"
#include "base/result.h"
#include "base/units.h"
#include "board/time_source.h"
#include "link/link.h"
#include "protocol/bus_program.h"
#include "protocol/messages.h"

// The typed client of one board. All of it lives on the executor of connect(): one thread, no locks. Reading,
// writing and the heartbeat (every 100 ms) are coroutines of their own there, so nothing on that thread may block
// for long: a board that hears nothing for 500 ms cuts its rails.
//
// Stopping: set the flag given to connect(). Every call under way then ends within 500 ms with `interrupted`, a
// deaf board included; only switching rails off still works. Cancelling a call through Asio is not supported.
namespace steadycell::board {

namespace asio = boost::asio;

using protocol::BoardEvent;
using protocol::BoardInfo;
using protocol::BusSetup;
using protocol::ContactReading;
using protocol::RowRange;
using protocol::SampleFrame;
using protocol::SocketGround;
using protocol::SupplySample;

enum class PageOutcome : std::uint8_t {
  read,
  ready_timeout,  // the chip stayed busy: bytes are what was read before, mostly none
  transfer_error  // four tries did not bring the page over whole: no bytes, nothing is ever invented
};

struct PageFrame {
  std::uint64_t index =
      0;  // into the range of the run; rising, but for pages that are read again behind the others
  PageOutcome outcome = PageOutcome::read;
  bool busy_seen = true;  // R/B# was seen low
  bool wp_high = false;
  Nanoseconds busy;
  ByteSpan bytes;  // valid during the call only
};

class PageSink {
 public:
  virtual ~PageSink() = default;
  // Called on the client's thread for every page of the run, each index once, in the order of arrival. False stops
  // the run (error interrupted).
  virtual bool on_page(const PageFrame& page) = 0;
  // Asked in front of every page: while it is false nothing further is taken from the link, and the board waits.
  virtual bool has_room() { return true; }
};

struct RunRequest {
  const protocol::BusProgram* program = nullptr;  // its waits together at most 200 ms
  std::uint8_t target = 0;
  PassIndex pass;
  RowRange rows;
  std::chrono::milliseconds page_timeout{3000};  // longest silence that is no fault
};

struct RunStats {
  std::uint64_t pages = 0;            // delivered with what the chip gave
  std::uint64_t transfer_errors = 0;  // delivered without
  std::uint64_t read_again = 0;       // page reads asked for beyond the first
  std::uint64_t ready_timeouts = 0;
  Nanoseconds busy, longest_busy;  // R/B# low: all pages together, and the longest
};

// Since connect().
struct LinkStats {
  std::uint64_t bad_frames = 0;       // checksum or length wrong
  std::uint64_t late_answers = 0;     // to requests that nobody waits for any more
  std::uint64_t wrong_addresses = 0;  // whole frames that are not the page or run asked for; dropped
  std::uint64_t duplicates = 0;       // or overtaken; dropped
  std::uint64_t gaps = 0;             // places where frames are missing
  std::uint64_t resyncs = 0, restarts = 0;
  std::uint64_t recoveries = 0;  // rungs of the link's ladder: halts cleared, interface claimed again, port reset
};

// Something about the stream that an evidence log should hold.
struct LinkNote {
  enum class Kind : std::uint8_t {
    bad_frame,
    late_answer,
    wrong_address,
    duplicate,
    gap,
    resync,
    restart,
    recovery,
    side_lost,
    side_found
  };
  Kind kind;
  bool severe;  // not explained by noise on the cable: a wrong address, a restart
  std::string text;
};

class BoardClient {
 public:
  // Says hello and starts listening and the heartbeat. Errors: link_lost, board_timeout, board_garbage,
  // protocol_version.
  static asio::awaitable<Result<std::unique_ptr<BoardClient>>> connect(std::unique_ptr<link::Link> link,
                                                                       const std::atomic<bool>* stop,
                                                                       TimeSource& time = real_time());
  // close() must have been awaited.
  ~BoardClient();
  BoardClient(const BoardClient&) = delete;
  BoardClient& operator=(const BoardClient&) = delete;

  const BoardInfo& info() const;
  LinkStats stats() const;
  std::string describe() const;
  // The newest reading that came beside the stream, over a board's HID interface; nothing where there is none.
  std::optional<scu_meter> meter() const;
  // The board is given up: gone, faulty, or not this protocol. Every call fails; the board hears nothing more.
  bool lost() const;

  asio::awaitable<Result<scp_board_state>> state();
  asio::awaitable<Result<void>> bus_setup(BusSetup setup);
  // Runs the program over the rows. Damaged and missing pages are asked for again, up to three times, and then
  // delivered as transfer_error. A frame whose echoed address is not the one expected is never delivered. After
  // any failure the stream is in step again, or the board is given up (lost()). One run at a time.
  asio::awaitable<Result<RunStats>> run(RunRequest request, PageSink& sink);
  // One iteration on row 0; its bytes.
  asio::awaitable<Result<Bytes>> run_once(const protocol::BusProgram& program, std::uint8_t target);

  // Positions 1..48, 49 is the supply against ground. Both rails must be off.
  asio::awaitable<Result<std::vector<ContactReading>>> contacts(std::uint8_t first, std::uint8_t count);
  // One line of the port at a small current; both rails must be off. Only when info().can_port_measure.
  asio::awaitable<Result<protocol::PortReading>> measure_port(protocol::PortMeasure request);
  asio::awaitable<Result<void>> trust_socket(Bytes id);

  using SampleSink = std::function<void(const SampleFrame&)>;
  using EventSink = std::function<void(const BoardEvent&)>;
  using NoteSink = std::function<void(const LinkNote&)>;
  void on_event(EventSink sink);
  void on_note(NoteSink sink);
  asio::awaitable<Result<void>> start_supply(scp_rail rail, Nanoseconds averaged, Nanoseconds burst,
                                             std::chrono::milliseconds burst_length, SampleSink sink);
  // Samples the board lost by itself since the start. Works after a stop, too.
  asio::awaitable<Result<std::uint32_t>> stop_supply();

  // Ends heartbeat and listening and closes the link; rails are the leases' business.
  asio::awaitable<void> close();

 private:
  friend class PowerLease;
  struct Inside;
  explicit BoardClient(std::shared_ptr<Inside> inside);

  std::shared_ptr<Inside> inside_;
};

// link_lost: the board cut `rail` ("the port") since it heard nothing from the host. What to do next is the caller's to say.
Error cut_for_silence(std::string_view rail);

}  // namespace steadycell::board
