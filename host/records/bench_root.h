#pragma once
#include <cstdint>
#include <functional>
#include <string>
#include <string_view>

#include "base/json.h"
#include "files/file_system.h"
#include "passes/clock.h"

// The bench root: the folder in which a workshop keeps what it did.
//
//   log.jsonl      everything that happened, one JSON object a line; only ever appended to. The truth.
//   boards/UUID/   checks and calibration of a fixture board
//   twins/         traces of healthy boards, and what was measured on them
namespace steadycell::records {

// One line of the log:
//
//   {"n":2,"time":"2026-03-01T10:00:00Z","kind":"supply.power_up","facts":{...},"previous":"HEX","hash":"HEX"}
//
// `n` counts from 1. `hash` is the SHA-256 of the line's bytes in front of `,"hash"`; `previous` is the hash of the line
// before, 64 zeros in the first. So nobody changes, drops or reorders a line without breaking the chain behind it.
struct LogEntry {
  std::uint64_t number = 0;
  std::string time;  // UTC, ISO 8601
  std::string kind;  // "room.what": "supply.power_up", "board.check"
  json::Object facts;
  std::string hash;
};
inline constexpr std::size_t kLongestLogLine = 64 << 10;

class BenchRoot {
 public:
  // Makes the folder when it is missing; its parent must exist. `system` and `clock` must outlive the root.
  static Result<BenchRoot> open(files::FileSystem& system, std::string folder,
                                const passes::Clock& clock = passes::system_clock());

  const std::string& folder() const { return folder_; }

  // Whether the next append will find room to write in: the folder takes a new file, the log lets itself be
  // written. For jobs that cost time or power: asked before they begin. Leaves nothing behind.
  Result<void> check_writable() const;

  // Locks the log, reads its tail, chains, syncs, unlocks: several processes share a bench. When this returns the line is on
  // the medium. A last line that a power cut tore was never acknowledged: it is kept aside as `log.torn-N`, and the new
  // line's facts name that file under "torn_line_kept_as". Errors: wrong_usage for facts beyond kLongestLogLine, in_use when
  // another process holds the log for half a minute, file_damaged when more than the last line is wrong; those of the disk.
  Result<LogEntry> append(std::string_view kind, json::Object facts);

  // Every line, oldest first, its chain checked. A torn last line is the end; whatever else is wrong is file_damaged with
  // the line's number. A log that is not there yet has no lines.
  Result<void> read_log(const std::function<void(const LogEntry&)>& sink) const;

  // The folders, made when missing. `uuid` must be a safe name.
  Result<std::string> board_folder(const std::string& uuid) const;
  Result<std::string> twins_folder() const;

 private:
  BenchRoot(files::FileSystem& system, std::string folder, const passes::Clock& clock)
      : system_(&system), folder_(std::move(folder)), clock_(&clock) {}
  Result<std::string> make(const std::string& parent, const std::string& name) const;

  files::FileSystem* system_;
  std::string folder_;
  const passes::Clock* clock_;
};

}  // namespace steadycell::records
