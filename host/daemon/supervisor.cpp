#include "daemon/supervisor.h"

#include <fcntl.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <cstddef>
#include <cstdlib>

#include "base/text.h"

namespace steadycell::daemon {
namespace {

constexpr int kFirstSocket = 3;  // SD_LISTEN_FDS_START

std::string taken(const char* name) {
  const char* value = std::getenv(name);
  std::string text = value != nullptr ? value : "";
  ::unsetenv(name);
  return text;
}

bool for_this_process(const std::string& pid) { return parse_number(pid) == static_cast<std::uint64_t>(::getpid()); }

}  // namespace

Supervisor Supervisor::from_environment() {
  Supervisor supervisor;
  supervisor.notify_socket_ = taken("NOTIFY_SOCKET");
  const std::string sockets = taken("LISTEN_FDS"), sockets_for = taken("LISTEN_PID");
  ::unsetenv("LISTEN_FDNAMES");
  if (for_this_process(sockets_for)) supervisor.sockets_ = static_cast<int>(parse_number(sockets).value_or(0));
  const std::string interval = taken("WATCHDOG_USEC"), watched = taken("WATCHDOG_PID");
  if (const auto microseconds = parse_number(interval); microseconds && *microseconds > 1 && (watched.empty() || for_this_process(watched)))
    supervisor.ping_interval_ = std::chrono::microseconds(*microseconds / 2);
  return supervisor;
}

Result<std::optional<int>> Supervisor::listening_socket() {
  if (sockets_ == 0) return std::optional<int>();
  if (sockets_ != 1) return failure(ErrorCode::bad_configuration, "{} sockets were handed over, expected one", sockets_);
  int listening = 0, kind = 0, family = 0;
  socklen_t size = sizeof listening;
  const bool asked = ::getsockopt(kFirstSocket, SOL_SOCKET, SO_ACCEPTCONN, &listening, &size) == 0 &&
                     ::getsockopt(kFirstSocket, SOL_SOCKET, SO_TYPE, &kind, &(size = sizeof kind)) == 0 &&
                     ::getsockopt(kFirstSocket, SOL_SOCKET, SO_DOMAIN, &family, &(size = sizeof family)) == 0;
  if (!asked || listening == 0 || kind != SOCK_STREAM || family != AF_UNIX)
    return failure(ErrorCode::bad_configuration, "what was handed over is no listening Unix stream socket");
  ::fcntl(kFirstSocket, F_SETFD, FD_CLOEXEC);
  return std::optional<int>(kFirstSocket);
}

void Supervisor::send(const std::string& message) const {
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  if (notify_socket_.empty() || notify_socket_.size() >= sizeof address.sun_path) return;
  notify_socket_.copy(address.sun_path, notify_socket_.size());
  if (address.sun_path[0] == '@') address.sun_path[0] = '\0';  // in the abstract name space
  const int fd = ::socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
  if (fd < 0) return;
  // Nothing can be done about a manager that does not listen.
  static_cast<void>(::sendto(fd, message.data(), message.size(), MSG_NOSIGNAL, reinterpret_cast<const sockaddr*>(&address),
                             static_cast<socklen_t>(offsetof(sockaddr_un, sun_path) + notify_socket_.size())));
  ::close(fd);
}

void Supervisor::ready() { send("READY=1"); }
void Supervisor::stopping() { send("STOPPING=1"); }
void Supervisor::status(const std::string& text) { send("STATUS=" + text); }

void Supervisor::keep_alive(boost::asio::io_context& loop) {
  if (!ping_interval_) return;
  timer_.emplace(loop);
  ping();
}

void Supervisor::end_keep_alive() { timer_.reset(); }

void Supervisor::ping() {
  send("WATCHDOG=1");
  timer_->expires_after(*ping_interval_);
  timer_->async_wait([this](const boost::system::error_code& cancelled) {
    if (!cancelled && timer_) ping();
  });
}

}  // namespace steadycell::daemon
