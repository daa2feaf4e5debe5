#pragma once
#include <boost/asio/awaitable.hpp>
#include <chrono>
#include <functional>
#include <string>
#include <vector>

#include "api/progress.h"
#include "board/client.h"
#include "files/file_system.h"
#include "measure/trace_file.h"

// Powering the broken stick up once, under a limit, and keeping what its supply does.
namespace steadycell::measure {

namespace asio = boost::asio;

struct RecordOptions {
  std::string path;                          // .csv or .csv.gz; never overwritten
  std::string burst_path{};                  // the same at 200 kS/s around the switch-on; empty: not recorded
  std::chrono::milliseconds length{10'000};  // after switch-on
  std::chrono::milliseconds before{20};      // baseline
  std::uint16_t limit_mA = 100;              // what an unchecked stick may draw
  std::string tool;
  std::optional<supply::ColdReadings> cold{}, cold_twin{};  // the check before this power-up, kept in the header
  bool end_at_boot_loop = true;  // each power-up of a patient is more reads of its memory
  // Called off the I/O thread right before the power comes on; a failure keeps it off. Where a power-up is counted.
  std::function<Result<void>()> before_power{};
  const std::atomic<bool>* stop = nullptr;
  api::ProgressSink progress;
};

struct Recorded {
  std::uint64_t samples = 0, gaps = 0, lost_samples = 0;
  double peak_mA = 0;
  bool tripped = false;
  bool boot_loop = false;  // ended early, at the second period of one
  std::vector<supply::TraceEvent> events;
};

// Data lines open, soft start, latching limit, no retry; the trace reaches the disk while it is measured, and the
// port is powered down in every case. It ends early when a boot loop has shown its second period. A trip is a finding: the trace up to it
// is kept and `tripped` says so. Gaps stay gaps: a comment and a jump in time. What was recorded with the power on is kept when the
// recording fails or is stopped. Errors: already_exists, those of the board and of the disk.
asio::awaitable<Result<Recorded>> record_supply(board::BoardClient& board, files::FileSystem& system,
                                                RecordOptions options);

}  // namespace steadycell::measure
