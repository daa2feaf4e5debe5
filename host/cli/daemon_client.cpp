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
#include "service/supply_job.h"

namespace steadycell::cli {
namespace {

using Clock = std::chrono::steady_clock;
constexpr int kLook_ms = 100;  // how often a stop that came between two looks is seen

Error unreachable(std::string what) { return Error(ErrorCode::daemon_unreachable, std::move(what)); }

}  // namespace

Result<std::unique_ptr<DaemonClient>> DaemonClient::connect(const std::string& socket, std::chrono::seconds limit) {
  auto client = reach(socket, limit);
  if (client || (client.error().code() != ErrorCode::daemon_unreachable && client.error().code() != ErrorCode::bad_message)) return client;
  return failure(no_answer(client.error(), socket));
}

Result<std::unique_ptr<DaemonClient>> DaemonClient::reach(const std::string& socket, std::chrono::seconds limit) {
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  if (socket.size() >= sizeof address.sun_path) return nullptr;  // no daemon can listen there
  socket.copy(address.sun_path, socket.size());
  const int fd = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
  if (fd < 0) return failure(ErrorCode::internal, "making a socket: {}", std::strerror(errno));
  std::unique_ptr<DaemonClient> client(new DaemonClient(fd, limit));
  // A daemon that hangs takes nothing from its full queue; connect and send give up as waiting for an answer does.
  const timeval patience{.tv_sec = limit.count(), .tv_usec = 0};
  ::setsockopt(fd, SOL_SOCKET, SO_SNDTIMEO, &patience, sizeof patience);
  while (::connect(fd, reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0) {
    if (errno == EINTR) continue;
    if (errno == ENOENT || errno == ENOTDIR || errno == ECONNREFUSED) return nullptr;
    if (errno == EAGAIN) return failure(unreachable(fmt::format("the daemon has let nobody in for {} s", limit.count())));
    return failure(unreachable(fmt::format("the daemon's socket {}: {}", printable(socket), std::strerror(errno))));
  }
  const auto greeted = client->greet();
  if (!greeted) return failure(greeted.error());
  return client;
}

DaemonClient::~DaemonClient() { ::close(fd_); }

Result<json::Object> DaemonClient::greet() {
  std::error_code code;
  const auto folder = std::filesystem::current_path(code);
  if (code) return failure(ErrorCode::not_found, "the folder that this command works in: {}", code.message());
  const json::Object hello{{"messages", api::kMessageVersion}, {"program", "steadycell"}, {"folder", folder.string()}, {"attached", true}};
  auto answer = call("daemon.hello", hello, {});
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

Result<void> DaemonClient::send(const std::string& line) {
  std::string_view rest = line;
  while (!rest.empty()) {
    const ssize_t sent = ::send(fd_, rest.data(), rest.size(), MSG_NOSIGNAL);
    if (sent < 0 && errno == EINTR) continue;
    if (sent < 0 && (errno == EAGAIN || errno == EWOULDBLOCK))
      return failure(silent(fmt::format("the daemon has taken nothing for {} s", limit_.count())));
    if (sent < 0) return failure(unreachable(fmt::format("the daemon hung up: {}", std::strerror(errno))));
    rest.remove_prefix(static_cast<std::size_t>(sent));
  }
  return {};
}

Result<json::Object> DaemonClient::call(std::string_view method, const json::Value& params, const service::JobHooks& hooks) {
  const std::uint64_t id = ++last_id_;
  const std::string line = api::request_line(id, method, params);
  if (line.size() > api::kMaxRequestBytes)
    return failure(ErrorCode::wrong_usage, "the command has {} bytes, the daemon takes {}", line.size(), api::kMaxRequestBytes);
  if (const auto sent = send(line); !sent) return failure(sent.error());
  const json::Object* given = params.if_object();
  const json::Value* to = given != nullptr ? given->if_contains("to") : nullptr;
  const bool recording = method == "supply.record" && to != nullptr && to->is_string();
  return answer(id, method, hooks, !service::needs_board(method),
                recording ? service::advice_on_broken_recording(std::string_view(to->get_string()))
                          : "repeat the command: it goes on where it stopped");
}

Result<json::Object> DaemonClient::answer(std::uint64_t id, std::string_view method, const service::JobHooks& hooks, bool limited,
                                          const std::string& advice) {
  const auto began = Clock::now();
  std::optional<Result<json::Object>> result;
  bool asked_to_stop = false;
  std::array<char, 16384> buffer{};
  while (!result) {
    if (!asked_to_stop && hooks.stop != nullptr && hooks.stop->load()) {
      asked_to_stop = true;
      if (const auto sent = send(api::request_line(++last_id_, "job.cancel", json::Object{{"request", id}})); !sent)
        return failure(sent.error());
    }
    pollfd ready{.fd = fd_, .events = POLLIN, .revents = 0};
    if (::poll(&ready, 1, kLook_ms) <= 0) {
      if (limited && Clock::now() - began > limit_)
        return failure(silent(fmt::format("the daemon has not answered {} for {} s", method, limit_.count())));
      continue;
    }
    const ssize_t got = ::recv(fd_, buffer.data(), buffer.size(), 0);
    if (got < 0 && errno == EINTR) continue;
    if (got <= 0)
      return failure(unreachable(fmt::format("the daemon ended before it answered {}", method)).advising(advice));
    Result<void> understood;
    lines_.feed({buffer.data(), static_cast<std::size_t>(got)}, [&](const api::LineReader::Line& line) {
      understood = line.too_long ? failure(ErrorCode::bad_message, "a message of the daemon has more than {} bytes", api::kMaxAnswerBytes)
                                 : take(line.text, id, hooks, result);
      return understood.has_value();
    });
    if (!understood) return failure(understood.error());
  }
  return std::move(*result);
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
