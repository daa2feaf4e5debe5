#pragma once
#include <atomic>
#include <boost/asio/awaitable.hpp>
#include <chrono>
#include <functional>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "base/bytes.h"
#include "base/result.h"
#include "base/units.h"
#include "link/link.h"
#include "protocol/bus_program.h"
#include "steadycell/protocol.h"

// The typed client of one board. All of it lives on the executor of connect(): one thread, no locks.
namespace steadycell::board {

namespace asio = boost::asio;

struct BoardInfo {
  std::string uuid;      // text form
  std::string name;
  std::uint32_t boot_counter = 0;
  std::string firmware;  // "1.2.3"
  std::uint32_t max_payload = 0;
  unsigned targets = 0;  // chip enables wired
  bool can_socket = false, can_port = false, can_contact = false, can_x16 = false;
  Nanoseconds averaged_interval, burst_interval;  // fastest offered
};

struct BusSetup {
  std::uint8_t timing_mode = 0;  // ONFI SDR mode 0..5
  std::uint8_t bus_bits = 8;
  bool small_page = false;
  std::uint8_t column_cycles = 2, row_cycles = 3;
};

// Rows first, first + 1, ... rows - 1 of each group; the next group starts `stride` rows further.
struct RowRange {
  std::uint32_t first = 0, rows = 1, stride = 1, groups = 1;
  std::uint64_t count() const { return std::uint64_t{rows} * groups; }
  std::uint32_t at(std::uint64_t index) const {
    return first + static_cast<std::uint32_t>(index / rows) * stride + static_cast<std::uint32_t>(index % rows);
  }
};

enum class PageOutcome : std::uint8_t { read, ready_timeout, transfer_error };

struct PageFrame {
  std::uint64_t index = 0;  // into the range of the run; frames come in rising order but for pages read again
  PageOutcome outcome = PageOutcome::read;
  bool busy_seen = true;    // R/B# was seen low
  bool wp_high = false;
  Nanoseconds busy;
  ByteSpan bytes;           // valid during the call only; empty for transfer_error: nothing is ever invented
};

class PageSink {
 public:
  virtual ~PageSink() = default;
  // Called on the client's thread for every page of the run, each index once. False stops the run (error interrupted).
  virtual bool on_page(const PageFrame& page) = 0;
  // Asked between reads from the link: while it is false no further bytes are taken, and the board waits.
  virtual bool has_room() { return true; }
};

struct RunRequest {
  const protocol::BusProgram* program = nullptr;
  std::uint8_t target = 0;
  PassIndex pass;
  RowRange rows;
  std::chrono::milliseconds page_timeout{3000};  // longest silence that is no fault; above the program's own limits
};

struct RunStats {
  std::uint64_t pages = 0, transfer_errors = 0, read_again = 0;
};

struct LinkStats {
  std::uint64_t bad_frames = 0, late_answers = 0, wrong_addresses = 0, duplicates = 0, gaps = 0, resyncs = 0;
};

struct SocketGround {
  scp_ground kind = SCP_GROUND_PROBE;
  Bytes id;  // for the chip's answer
};

struct ContactReading {
  std::int16_t plus_mV = 0, minus_mV = 0;  // at +/-100 uA
  std::uint8_t bridged_with = 0;           // neighbouring position, 0 = none
};

struct SupplySample {
  std::int32_t microamps = 0;
  std::int16_t millivolts = 0, probe1_mV = 0, probe2_mV = 0;
  bool saturated = false;
};

struct SampleFrame {
  scp_rail rail = SCP_RAIL_PORT;
  bool burst = false;
  std::uint64_t first_ns = 0;  // board clock
  std::uint32_t interval_ns = 0, dropped_before = 0;
  std::span<const SupplySample> samples;  // valid during the call only
};

struct BoardEvent {
  scp_event kind{};
  std::uint16_t detail = 0;
  std::uint64_t board_ns = 0;
};

class BoardClient {
 public:
  // Says hello and starts listening and the heartbeat. `stop`, when set by anybody, ends what runs within 500 ms with the
  // error interrupted; switching rails off still works then.
  static asio::awaitable<Result<std::unique_ptr<BoardClient>>> connect(std::unique_ptr<link::Link> link, const std::atomic<bool>* stop);
  // close() must have been awaited.
  ~BoardClient();
  BoardClient(const BoardClient&) = delete;
  BoardClient& operator=(const BoardClient&) = delete;

  const BoardInfo& info() const;
  const LinkStats& stats() const;
  std::string describe() const;
  bool lost() const;

  asio::awaitable<Result<scp_board_state>> state();
  asio::awaitable<Result<void>> bus_setup(BusSetup setup);
  // Runs the program over the rows. Damaged and missing pages are asked for again, up to three times, and then delivered
  // as transfer_error. After any failure the stream is in step again, or the board is given up (lost()).
  asio::awaitable<Result<RunStats>> run(RunRequest request, PageSink& sink);
  // One iteration on row 0; its bytes.
  asio::awaitable<Result<Bytes>> run_once(const protocol::BusProgram& program, std::uint8_t target);

  asio::awaitable<Result<std::vector<ContactReading>>> contacts(std::uint8_t first, std::uint8_t count);
  asio::awaitable<Result<void>> trust_socket(Bytes id);

  using SampleSink = std::function<void(const SampleFrame&)>;
  using EventSink = std::function<void(const BoardEvent&)>;
  void on_event(EventSink sink);
  asio::awaitable<Result<void>> start_supply(scp_rail rail, Nanoseconds averaged, Nanoseconds burst, std::chrono::milliseconds burst_length, SampleSink sink);
  // Samples the board lost by itself since the start.
  asio::awaitable<Result<std::uint32_t>> stop_supply();

  // Ends heartbeat and listening and closes the link; rails are the leases' business.
  asio::awaitable<void> close();

 private:
  friend class PowerLease;
  struct Inside;
  explicit BoardClient(std::shared_ptr<Inside> inside);
  asio::awaitable<Result<Millivolts>> switch_on(scp_type type, Bytes payload);
  asio::awaitable<Result<void>> switch_off(scp_type type);

  std::shared_ptr<Inside> inside_;
};

}  // namespace steadycell::board
