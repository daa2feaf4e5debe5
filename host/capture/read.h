#pragma once
#include <functional>
#include <optional>
#include <string>

#include "api/progress.h"
#include "base/text.h"
#include "capture/identify.h"
#include "files/file_system.h"
#include "passes/capture.h"

// Reading a chip into a capture, pass after pass.
namespace steadycell::capture {

struct ReadOptions {
  std::string folder;                  // of the capture: made, or gone on with when it is there
  std::uint32_t passes = 1;            // what every block of the range has when done, counting what the capture holds
  std::optional<NumberRange> blocks;   // both ends belong to it; nothing: the whole chip
  SocketOptions socket;
  std::string tool;                    // program and version, for the record
};

struct ReadSummary {
  std::string capture_uuid;
  FoundChip chip;
  std::uint64_t units_held_before = 0, units_read = 0;  // of the range
  std::uint64_t pages_not_transferred = 0;  // read this time, never came over whole
  std::uint64_t pages_timed_out = 0;        // read this time, the chip stayed busy
  std::uint64_t bytes = 0;                  // raw bytes read this time
  double seconds = 0;                       // spent reading them
  board::LinkStats link;
  Digest journal_head{};
  std::vector<std::string> notes;           // of the proofs before the first pass, and what came up while reading
};

struct ReadHooks {
  api::ProgressSink progress;                       // may be empty; on the thread that runs the coroutine
  std::function<void(std::string_view)> note;       // one line worth telling at once; may be empty
};

// Identifies the chip, compares it with the capture's, lets it prove itself, and reads what the capture lacks: the first
// pass over the whole range before any later one. A unit is in the journal once its bytes are in the pass file. Pages that
// do not come are recorded as such and the pass goes on. Memory is a fixed set of unit buffers.
//
// Stops with `interrupted` between units when the board's stop flag is set: finished units are kept, the same call goes
// on. Errors besides those of identify: mismatched_capture for another chip, write_protect, proof_failed, wrong_usage for a
// range outside the chip, storage_full and storage_failed, the board's own; on all of them the capture is good to go on.
// The socket is off and bled when this returns.
asio::awaitable<Result<ReadSummary>> read(board::BoardClient& board, files::FileSystem& system, ReadOptions options, ReadHooks hooks);

}  // namespace steadycell::capture
