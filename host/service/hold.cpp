#include "service/hold.h"

#include <unistd.h>

#include <boost/asio/steady_timer.hpp>
#include <boost/asio/this_coro.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <cerrno>
#include <csignal>
#include <map>
#include <mutex>
#include <optional>

#include "base/json.h"
#include "base/sha256.h"
#include "base/text.h"
#include "files/atomic.h"
#include "service/runtime.h"

namespace steadycell::service {
namespace {

namespace asio = boost::asio;
using namespace std::chrono_literals;

constexpr std::uint64_t kMaxHolderFile = 64 << 10;
constexpr auto kEndingWait = 10s;  // a job that was stopped powers down within 500 ms and its deadline of 2.5 s a try
constexpr auto kNameWait = 5s;     // between taking a lock and writing the name into it lies next to nothing
constexpr auto kPause = 10ms;

// The stop flags of the holders in this process: who was asked to stop is about to let go. Taking a lock and letting go of it
// is one step with this map, so that no lock of ours is ever seen held without its flag.
std::mutex ours_mutex;
std::map<std::string, const std::atomic<bool>*> ours;

bool ends_here(const std::string& path) {
  const std::lock_guard guard(ours_mutex);
  const auto found = ours.find(path);
  return found != ours.end() && found->second != nullptr && found->second->load();
}

Result<std::unique_ptr<files::Lock>> take_lock(const std::string& path, const std::atomic<bool>* stop) {
  const std::lock_guard guard(ours_mutex);
  auto lock = files::posix().lock(path);
  if (lock) ours[path] = stop;
  return lock;
}

std::string file_name(const std::string& board) {
  return (safe_name(board) ? board : "at-" + to_text(Sha256::of(as_bytes(board))).substr(0, 32)) + ".lock";
}

std::string text_of(const Holder& holder) {
  // An address may hold bytes that no JSON text can.
  return json::pretty(json::Object{{"board", printable(holder.board)}, {"program", printable(holder.program)}, {"method", holder.method},
                                   {"process", holder.process}, {"since", holder.since}, {"held_by_process", ::getpid()}});
}

struct Named {
  Holder holder;
  int keeper = 0;  // the process that has the lock: a daemon, whose client may have gone
};

std::optional<Named> read_holder(const std::string& path) {
  const auto text = files::read_text(files::posix(), path, kMaxHolderFile);
  if (!text) return std::nullopt;
  const auto value = json::parse(*text);
  if (!value) return std::nullopt;
  json::Reader reader(*value, "");
  auto board = reader.text("board"), program = reader.text("program"), method = reader.text("method"), since = reader.text("since");
  const auto process = reader.number("process", 1, 1u << 30), keeper = reader.number("held_by_process", 1, 1u << 30);
  for (const auto* part : {&board, &program, &method, &since})
    if (!*part) return std::nullopt;
  if (!process || !keeper) return std::nullopt;
  Named named;
  named.holder = {std::move(*board), std::move(*program), std::move(*method), static_cast<int>(*process), std::move(*since)};
  named.keeper = static_cast<int>(*keeper);
  return named;
}

bool lives(int process) { return ::kill(process, 0) == 0 || errno == EPERM; }

Result<void> write_holder(const std::string& path, const std::string& text) {
  auto file = files::posix().open_write(path);
  if (!file) return failure(file.error());
  if (auto emptied = (*file)->truncate(0); !emptied) return emptied;
  return (*file)->write_at(0, as_bytes(text));
}

Result<std::string> lock_folder() {
  const auto runtime = runtime_folder();
  if (!runtime) return failure(runtime.error());
  std::string folder = *runtime + "/boards";
  const auto made = files::posix().make_directory(folder);
  if (!made && made.error().code() != ErrorCode::already_exists) return failure(made.error());
  return folder;
}

Error held_by(const std::string& board, const std::optional<Named>& named) {
  if (!named) return Error(ErrorCode::board_busy, fmt::format("the board {} is held by another program", printable(board)));
  const Holder& holder = named->holder;
  return Error(ErrorCode::board_busy,
               fmt::format("the board {} is held by {} {} (process {}) since {}", printable(board), printable(holder.program),
                           printable(holder.method), holder.process, printable(holder.since)))
      .advising(fmt::format("wait for it (steadycell status shows how far it is), or stop it where it was started: Ctrl-C, or kill {}; it "
                            "ends at the next block and keeps what it has",
                            holder.process));
}

}  // namespace

asio::awaitable<Result<BoardHold>> BoardHold::take(Holder holder, const std::atomic<bool>* stop) {
  const auto folder = lock_folder();
  if (!folder) co_return failure(Error(folder.error()).during("taking hold of the board"));
  const std::string path = *folder + "/" + file_name(holder.board);
  asio::steady_timer pause(co_await asio::this_coro::executor);
  const auto began = std::chrono::steady_clock::now();
  for (;;) {
    auto lock = take_lock(path, stop);
    if (lock) {
      BoardHold hold(path, std::move(*lock));
      if (const auto named = write_holder(path, text_of(holder)); !named)
        co_return failure(Error(named.error()).during("taking hold of the board"));
      co_return std::move(hold);
    }
    if (lock.error().code() != ErrorCode::in_use) co_return failure(Error(lock.error()).during("taking hold of the board"));
    const auto other = read_holder(path);
    const auto waited = std::chrono::steady_clock::now() - began;
    const bool ending = ends_here(path) && waited < kEndingWait;
    const bool nameless = (!other || !lives(other->keeper)) && waited < kNameWait;
    if (!ending && !nameless) co_return failure(held_by(holder.board, other));
    if (stop != nullptr && stop->load()) co_return failure(ErrorCode::interrupted, "stopped while waiting for the board");
    pause.expires_after(kPause);
    co_await pause.async_wait(asio::use_awaitable);
  }
}

BoardHold::~BoardHold() {
  if (!lock_) return;
  // A name left behind would be read by whoever asks next; a failure here does no harm beyond that.
  static_cast<void>(write_holder(path_, ""));
  const std::lock_guard guard(ours_mutex);
  lock_.reset();
  ours.erase(path_);
}

Result<std::vector<Holder>> held_boards() {
  const auto folder = lock_folder();
  if (!folder) return failure(folder.error());
  const auto names = files::posix().list(*folder);
  if (!names) return failure(names.error());
  std::vector<Holder> held;
  for (const std::string& name : *names) {
    const std::string path = *folder + "/" + name;
    // An address is locked beside the UUID of the board behind it: one of the two is enough.
    if (name.starts_with("at-")) continue;
    if (const auto lock = files::posix().lock(path); lock || lock.error().code() != ErrorCode::in_use) continue;
    if (auto named = read_holder(path)) held.push_back(std::move(named->holder));
  }
  return held;
}

}  // namespace steadycell::service
