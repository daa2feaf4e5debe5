#include "cli/daemon_process.h"

#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <fstream>
#include <optional>

#include "base/text.h"
#include "service/runtime.h"

namespace steadycell::cli {
namespace {

// Who listens at the socket, by the kernel's word (SO_PEERCRED, unix(7)): that is whoever called listen(2), a service manager for one.
// Nothing when the queue of the listener is full.
std::optional<int> listener_at(const std::string& socket) {
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  if (socket.size() >= sizeof address.sun_path) return std::nullopt;
  socket.copy(address.sun_path, socket.size());
  const int fd = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
  if (fd < 0) return std::nullopt;
  ucred peer{};
  socklen_t size = sizeof peer;
  const bool known = ::connect(fd, reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0 &&
                     ::getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &peer, &size) == 0 && peer.pid > 0;
  ::close(fd);
  return known ? std::optional<int>(peer.pid) : std::nullopt;
}

// The process that a daemon wrote into its lock: "process 4711 since ...".
std::optional<int> process_in_lock() {
  std::ifstream lock(service::runtime_path() + "/daemon.lock");
  std::string word;
  int process = 0;
  return lock >> word >> process && word == "process" && process > 0 ? std::optional<int>(process) : std::nullopt;
}

std::string program_of(int process) {
  std::ifstream file(fmt::format("/proc/{}/comm", process));
  std::string name;
  std::getline(file, name);
  return printable(name);
}

}  // namespace

std::string how_to_start_daemon(const std::string& root) {
  // As sd_booted(3) tells whether systemd runs.
  struct stat facts {};
  const bool systemd = ::lstat((root + "/run/systemd/system").c_str(), &facts) == 0 && S_ISDIR(facts.st_mode);
  for (const char* folder : {"/etc/systemd/user", "/usr/local/lib/systemd/user", "/usr/lib/systemd/user"})
    if (systemd && ::access((root + folder + "/steadycelld.socket").c_str(), R_OK) == 0)
      return "systemctl --user enable --now steadycelld.socket";
  return "run steadycelld in a terminal of its own (Ctrl-C ends it)";
}

std::string what_ends_it(int process, const std::string& then) {
  return fmt::format(
      "kill {0}; if it is still there after 5 s, kill -KILL {0} (a board that hears nothing cuts its rails by "
      "itself). "
      "Then, with a daemon or without, {1}. To have a daemon again: {2}",
      process, then, how_to_start_daemon(""));
}

Error hangs(const Error& error, int process, const std::string& then) {
  return Error(error.code(), fmt::format("process {} (steadycelld) hangs: {}", process, error.what()))
      .keeping(error.kept())
      .advising(what_ends_it(process, then));
}

Error no_answer(const Error& error, const std::string& socket) {
  const auto listener = listener_at(socket);
  for (const auto& process : {listener, process_in_lock()})
    if (process && program_of(*process) == "steadycelld") return hangs(error, *process);
  if (!listener)
    return Error(error).advising(fmt::format("find the process that listens at {} (ss -xlp shows it) and end it", printable(socket)));
  return Error(error.code(), fmt::format("process {} ({}) listens at the daemon's socket and is none: {}", *listener, program_of(*listener),
                                         error.what()))
      .advising(fmt::format("kill {}, if it has no business there; else move {} away", *listener, printable(socket)));
}

}  // namespace steadycell::cli
