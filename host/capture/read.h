#pragma once
#include <boost/asio/awaitable.hpp>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "api/progress.h"
#include "base/sha256.h"
#include "base/text.h"
#include "board/client.h"
#include "capture/identify.h"
#include "files/file_system.h"
#include "passes/stage_times.h"

// Reading a chip into a capture.
namespace steadycell::capture {

struct ReadOptions {
  std::string folder;                 // made when it is not there; an existing capture is gone on with
  std::uint32_t passes = 1;           // that every block of the range has when done, counting what the capture holds
  std::optional<NumberRange> blocks;  // both ends included; nothing = all
  std::optional<Millivolts> consent;
  std::optional<contact::SocketMap> map{};  // as IdentifyOptions
  bool another_board = false;         // the user's word that a capture may be gone on with on a board other than its own
  std::string board_check;            // what is known of the fixture board, for the evidence; may be empty
  std::string tool;                   // program and version, for the capture
  api::ProgressSink progress;
  std::function<void(std::string_view)> note;
};

struct ReadResult {
  std::string uuid;
  Found found;
  NumberRange blocks;
  std::uint64_t units_read = 0, units_held = 0;  // now, and before
  std::uint64_t units_without_bytes = 0;         // of those held: their pass file is gone or too short; a note tells more
  std::uint64_t bytes = 0;                       // moved from the chip now
  std::uint64_t pages_not_transferred = 0, pages_timed_out = 0;
  double seconds = 0;
  double transfer_thread_seconds = 0;  // of a processor: link, framing and the copy into units
  passes::StageTimes writing;          // of the thread that keeps the units
  Digest journal_head{};
  std::vector<std::string> notes;
};

// Powers and identifies the chip, lets it prove itself (WP# low, R/B# moving, lanes alive), then reads pass 1 whole over the
// range and seals it, then the later passes, pass by pass. Every unit is in the journal as soon as it is read; whatever ends
// the job, finished units stay and the same call goes on with the first that is missing. A board that restarts by itself is
// greeted anew and read on, up to its third restart within a minute. The socket is powered down in every case, and the
// journal closed with why the reading ended.
//
// Where the capture already holds all of it, in good order, nothing gets power and nothing is written: the result has no units
// read, the journal's head as it stands, and a note.
//
// Errors beyond those of power_and_identify: mismatched_capture (both identities shown, of chip or board), proof_failed, interrupted,
// storage_full and storage_failed, link_lost.
asio::awaitable<Result<ReadResult>> read_chip(board::BoardClient& board, files::FileSystem& system, ReadOptions options);

}  // namespace steadycell::capture
