#include "cli/daemon_client.h"

#include <poll.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <sys/un.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <chrono>
#include <cstring>
#include <filesystem>

#include "base/text.h"
#include "cli/daemon_process.h"
#include "service/broken_job.h"

namespace steadycell::cli {
namespace {

using Clock = std::chrono::steady_clock;
using namespace std::chrono_literals;
constexpr auto kLook = 100ms;        // how often a stop that came between two looks is seen
constexpr auto kQuiet = 1s;          // a job's daemon that has said nothing for so long is asked whether it lives
constexpr auto kQuietAtEnd = 300ms;  // the same once the job was asked to stop
constexpr auto kStopPatience = 1s;   // a stopped command waits no longer for a daemon that answers nothing

Error unreachable(std::string what) { return Error(ErrorCode::daemon_unreachable, std::move(what)); }

bool is_set(const std::atomic<bool>* stop) {
  return stop != nullptr && stop->load();
}

// Nothing had been asked of the daemon, or nothing that lasts.
Error stopped_before(std::string_view what) {
  return Error(ErrorCode::interrupted, fmt::format("stopped before the daemon {}", what))
      .advising("run the same command again");
}

}  // namespace

Result<std::unique_ptr<DaemonClient>> DaemonClient::connect(const std::string& socket,
                                                            const std::atomic<bool>* stop,
                                                            std::chrono::seconds limit) {
  auto client = reach(socket, stop, limit);
  if (client || (client.error().code() != ErrorCode::daemon_unreachable && client.error().code() != ErrorCode::bad_message)) return client;
  return failure(no_answer(client.error(), socket));
}

Result<std::unique_ptr<DaemonClient>> DaemonClient::reach(const std::string& socket, const std::atomic<bool>* stop,
                                                          std::chrono::seconds limit) {
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  if (socket.size() >= sizeof address.sun_path) return nullptr;  // no daemon can listen there
  socket.copy(address.sun_path, socket.size());
  const int fd = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
  if (fd < 0) return failure(ErrorCode::internal, "making a socket: {}", std::strerror(errno));
  std::unique_ptr<DaemonClient> client(new DaemonClient(fd, limit));
  // A daemon that hangs takes nothing from its full queue; connect and send then return to look for a stop.
  const timeval look{.tv_sec = 0, .tv_usec = std::chrono::microseconds(kLook).count()};
  ::setsockopt(fd, SOL_SOCKET, SO_SNDTIMEO, &look, sizeof look);
  const auto began = Clock::now();
  while (::connect(fd, reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0) {
    if (errno == ENOENT || errno == ENOTDIR || errno == ECONNREFUSED) return nullptr;
    if (errno != EINTR && errno != EAGAIN)
      return failure(
          unreachable(fmt::format("the daemon's socket {}: {}", printable(socket), std::strerror(errno))));
    if (is_set(stop)) return failure(stopped_before("let this command in"));
    if (Clock::now() - began > limit)
      return failure(unreachable(fmt::format("the daemon has let nobody in for {} s", limit.count())));
  }
  const auto greeted = client->greet(stop);
  if (!greeted) return failure(greeted.error());
  return client;
}

DaemonClient::~DaemonClient() { ::close(fd_); }

Result<json::Object> DaemonClient::greet(const std::atomic<bool>* stop) {
  std::error_code code;
  const auto folder = std::filesystem::current_path(code);
  if (code) return failure(ErrorCode::not_found, "the folder that this command works in: {}", code.message());
  const json::Object hello{{"messages", api::kMessageVersion}, {"program", "steadycell"}, {"folder", folder.string()}, {"attached", true}};
  service::JobHooks hooks;
  hooks.stop = stop;
  auto answer = call("daemon.hello", hello, hooks);
  if (!answer) return answer;
  const json::Value value(*answer);
  json::Reader reader(value, "");
  const auto version = reader.text("version");
  const auto process = reader.number("process", 1, 1u << 30);
  if (!version || !process) return failure(unreachable("what answers at the daemon's socket is no steadycell daemon"));
  version_ = *version;
  process_ = static_cast<int>(*process);
  return answer;
}

Error DaemonClient::silent(std::string what) const {
  Error error = unreachable(std::move(what));
  return process_ > 0 ? hangs(error, process_) : error;
}

Result<void> DaemonClient::send(const std::string& line, const std::atomic<bool>* stop) {
  const auto began = Clock::now();
  std::string_view rest = line;
  while (!rest.empty()) {
    const ssize_t sent = ::send(fd_, rest.data(), rest.size(), MSG_NOSIGNAL);
    if (sent >= 0) {
      rest.remove_prefix(static_cast<std::size_t>(sent));
      continue;
    }
    if (errno != EINTR && errno != EAGAIN && errno != EWOULDBLOCK)
      return failure(unreachable(fmt::format("the daemon hung up: {}", std::strerror(errno))));
    if (is_set(stop)) return failure(stopped_before("took the command"));
    if (Clock::now() - began > limit_)
      return failure(silent(fmt::format("the daemon has taken nothing for {} s", limit_.count())));
  }
  return {};
}

void DaemonClient::ask(std::string_view method, const json::Value& params) {
  const std::string line = api::request_line(++last_id_, method, params);
  static_cast<void>(::send(fd_, line.data(), line.size(), MSG_NOSIGNAL | MSG_DONTWAIT));
}

Result<json::Object> DaemonClient::call(std::string_view method, const json::Value& params, const service::JobHooks& hooks) {
  const std::uint64_t id = ++last_id_;
  const std::string line = api::request_line(id, method, params);
  if (line.size() > api::kMaxRequestBytes)
    return failure(ErrorCode::wrong_usage, "the command has {} bytes, the daemon takes {}", line.size(), api::kMaxRequestBytes);
  if (const auto sent = send(line, hooks.stop); !sent) return failure(sent.error());
  return service::needs_board(method) ? answer_of_job(id, method, params, hooks)
                                      : answer_at_once(id, method, hooks);
}

Result<json::Object> DaemonClient::answer_at_once(std::uint64_t id, std::string_view method,
                                                  const service::JobHooks& hooks) {
  const auto began = Clock::now();
  std::optional<Result<json::Object>> result;
  while (!result) {
    if (is_set(hooks.stop)) return failure(stopped_before(fmt::format("answered {}", method)));
    const auto heard = hear(id, method, hooks, result);
    if (!heard) return failure(heard.error());
    if (!*heard && Clock::now() - began > limit_)
      return failure(silent(fmt::format("the daemon has not answered {} for {} s", method, limit_.count())));
  }
  return std::move(*result);
}

Result<json::Object> DaemonClient::answer_of_job(std::uint64_t id, std::string_view method,
                                                 const json::Value& params, const service::JobHooks& hooks) {
  std::optional<Result<json::Object>> result;
  auto last_heard = Clock::now();
  std::optional<Clock::time_point>
      asked_since;  // the daemon owes an answer, and has said nothing at all since then
  bool stopping = false, told = false;
  while (!result) {
    if (!stopping && is_set(hooks.stop)) {
      stopping = true;
      ask("job.cancel", json::Object{{"request", id}});
      asked_since = Clock::now();  // also where it owed an answer before: it gets its time for this one
    } else if (!asked_since && Clock::now() - last_heard >= (stopping ? Clock::duration(kQuietAtEnd) : kQuiet)) {
      ask("daemon.status", json::Object());
      asked_since = Clock::now();
    }
    const auto heard = hear(id, method, hooks, result);
    if (!heard && heard.error().code() == ErrorCode::daemon_unreachable)
      return failure(Error(heard.error())
                         .keeping(service::kept_by_broken_job(method, params))
                         .advising(service::advice_on_broken_job(method, params)));
    if (!heard) return failure(heard.error());
    if (*heard) {
      last_heard = Clock::now();
      asked_since.reset();
      if (told && hooks.note) hooks.note("the daemon answers again");
      told = false;
      continue;
    }
    if (!asked_since) continue;
    const auto silence = Clock::now() - *asked_since;
    const auto named = [&](ErrorCode code, std::string what) {
      return failure(hangs(Error(code, std::move(what)).keeping(service::kept_by_broken_job(method, params)),
                           process_, service::advice_on_broken_job(method, params)));
    };
    if (stopping && silence > kStopPatience)
      return named(ErrorCode::interrupted,
                   "it does not answer the request to stop, and this command no longer waits for it; its board "
                   "cuts the rails by itself "
                   "once the daemon's heartbeat stops");
    if (silence > limit_ * kPatience)
      return named(ErrorCode::daemon_unreachable, fmt::format("the daemon has said nothing of {} for {} s", method,
                                                              (limit_ * kPatience).count()));
    if (silence > limit_ && !told) {
      told = true;
      if (hooks.note)
        hooks.note(fmt::format(
            "process {} (steadycelld) has not answered for {} s; this command waits {} s more, in case it comes "
            "back. If it hangs: {}",
            process_, limit_.count(), (limit_ * (kPatience - 1)).count(),
            what_ends_it(process_, service::advice_on_broken_job(method, params))));
    }
  }
  return std::move(*result);
}

Result<bool> DaemonClient::hear(std::uint64_t id, std::string_view method, const service::JobHooks& hooks,
                                std::optional<Result<json::Object>>& result) {
  pollfd ready{.fd = fd_, .events = POLLIN, .revents = 0};
  if (::poll(&ready, 1, static_cast<int>(kLook.count())) <= 0) return false;
  std::array<char, 16384> buffer{};
  const ssize_t got = ::recv(fd_, buffer.data(), buffer.size(), 0);
  if (got < 0 && errno == EINTR) return false;
  if (got <= 0) return failure(unreachable(fmt::format("the daemon ended before it answered {}", method)));
  Result<void> understood;
  lines_.feed({buffer.data(), static_cast<std::size_t>(got)}, [&](const api::LineReader::Line& line) {
    understood = line.too_long ? failure(ErrorCode::bad_message, "a message of the daemon has more than {} bytes",
                                         api::kMaxAnswerBytes)
                               : take(line.text, id, hooks, result);
    return understood.has_value();
  });
  if (!understood) return failure(understood.error());
  return true;
}

Result<void> DaemonClient::take(std::string_view line, std::uint64_t id, const service::JobHooks& hooks,
                                std::optional<Result<json::Object>>& result) {
  const auto value = json::parse(line);
  if (!value || !value->is_object()) return failure(ErrorCode::bad_message, "what the daemon says is no JSON object");
  const json::Object& message = value->get_object();
  if (const json::Value* event = message.if_contains("event")) {
    if (*event == "progress" && hooks.progress) {
      const auto progress = api::progress_of(message);
      if (!progress) return failure(progress.error());
      hooks.progress(*progress);
    }
    if (*event == "note" && hooks.note)
      if (const json::Value* text = message.if_contains("text"); text != nullptr && text->is_string()) hooks.note(text->get_string());
    return {};
  }
  const json::Value* answered = message.if_contains("id");
  const json::Value* error = message.if_contains("error");
  // An error without an id is about this connection: it was turned away, for one.
  const bool for_us = answered != nullptr && (*answered == id || (answered->is_null() && error != nullptr));
  if (!for_us) return {};
  if (error != nullptr) {
    auto told = api::error_of(*error);
    if (!told) return failure(told.error());
    result.emplace(failure(std::move(*told)));
    return {};
  }
  const json::Value* object = message.if_contains("result");
  if (object == nullptr || !object->is_object()) return failure(ErrorCode::bad_message, "an answer of the daemon has no result");
  result.emplace(object->get_object());
  return {};
}

}  // namespace steadycell::cli
