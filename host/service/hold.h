#pragma once
#include <atomic>
#include <boost/asio/awaitable.hpp>
#include <memory>
#include <string>
#include <vector>

#include "base/result.h"
#include "files/file_system.h"

// One holder per board. The lock of a board is a file in the runtime folder that names its holder; the system drops it
// when the process ends, however it ends.
namespace steadycell::service {

struct Holder {
  std::string board;    // UUID, or the address while the UUID is not known yet
  std::string program;  // "steadycell", or the name that a client gave itself
  std::string method;   // "chip.read"
  int process = 0;
  std::string since;  // UTC, ISO 8601
};

class BoardHold {
 public:
  // board_busy names the holder and since when. A holder in this process that was asked to stop is waited for, so that a
  // job starts when the one before it has switched its rails off; interrupted when `stop` is set meanwhile.
  static boost::asio::awaitable<Result<BoardHold>> take(Holder holder, const std::atomic<bool>* stop);

  BoardHold(BoardHold&&) noexcept = default;
  BoardHold& operator=(BoardHold&&) = delete;
  ~BoardHold();

 private:
  BoardHold(std::string path, std::unique_ptr<files::Lock> lock) : path_(std::move(path)), lock_(std::move(lock)) {}

  std::string path_;
  std::unique_ptr<files::Lock> lock_;  // empty once moved from
};

// Boards held now, by whom, as far as their locks tell; in the order of their names.
Result<std::vector<Holder>> held_boards();

}  // namespace steadycell::service
