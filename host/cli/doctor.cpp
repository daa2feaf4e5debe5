#include "cli/doctor.h"

#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <chrono>
#include <filesystem>
#include <fstream>

#include "base/text.h"
#include "cli/daemon_client.h"
#include "service/daemon_config.h"
#include "service/runtime.h"
#include "service/usb_setup.h"

namespace steadycell::cli {
namespace {

namespace fs = std::filesystem;
using service::finding;
using service::Finding;
using State = Finding::State;

Finding check_runtime() {
  const auto folder = service::runtime_folder();
  if (!folder) return finding("runtime folder", State::problem, folder.error().what(), folder.error().next());
  return finding("runtime folder", State::good, printable(*folder) + ", open to you alone");
}

Finding check_socket() {
  const std::string path = service::socket_path(service::runtime_path());
  struct stat facts {};
  if (::lstat(path.c_str(), &facts) != 0) return finding("socket", State::good, "there is none: no daemon was started");
  if (!S_ISSOCK(facts.st_mode)) return finding("socket", State::problem, printable(path) + " is no socket", "move it away");
  if (facts.st_uid != ::geteuid()) return finding("socket", State::problem, printable(path) + " belongs to somebody else", "remove it, then start the daemon again");
  if ((facts.st_mode & 077) != 0) return finding("socket", State::problem, printable(path) + " lets others in", "chmod 0600 " + printable(path));
  return finding("socket", State::good, printable(path) + ", open to you alone");
}

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

// Somebody takes connections at the socket, and does not answer as a daemon.
Finding no_answer(const Error& error, const std::string& socket) {
  const auto listener = listener_at(socket);
  for (const auto& process : {listener, process_in_lock()}) {
    if (!process || program_of(*process) != "steadycelld") continue;
    return finding("daemon", State::problem, fmt::format("process {} (steadycelld) hangs: {}", *process, error.what()),
                   fmt::format("kill {0}; if it is still there after 5 s, kill -KILL {0} (a board that hears nothing cuts its rails by "
                               "itself). "
                               "Then repeat the commands: they go on where they stopped, with a daemon or without. To have one again: {1}",
                               *process, how_to_start_daemon("")));
  }
  if (!listener)
    return finding("daemon", State::problem, error.what(),
                   fmt::format("find the process that listens at {} (ss -xlp shows it) and end it", printable(socket)));
  return finding("daemon", State::problem,
                 fmt::format("process {} ({}) listens at the daemon's socket and is none: {}", *listener, program_of(*listener),
                             error.what()),
                 fmt::format("kill {}, if it has no business there; else move {} away", *listener, printable(socket)));
}

Finding check_daemon() {
  constexpr std::chrono::seconds kPatience(10);
  const std::string path = service::socket_path(service::runtime_path());
  const auto client = DaemonClient::connect(path, kPatience);
  if (!client) {
    const ErrorCode code = client.error().code();
    if (code == ErrorCode::daemon_unreachable || code == ErrorCode::bad_message) return no_answer(client.error(), path);
    return finding("daemon", State::problem, client.error().what(), client.error().next());
  }
  if (!*client) {
    std::error_code code;
    if (fs::exists(path, code)) return finding("daemon", State::note, "ended hard: its socket is left behind", "start steadycelld again; commands work without it, too");
    return finding("daemon", State::note, "none runs: commands work by themselves",
                   "for several clients on one board: " + how_to_start_daemon(""));
  }
  const std::string found = fmt::format("steadycell {}, process {}", printable((*client)->version()), (*client)->process());
  if ((*client)->version() != STEADYCELL_VERSION)
    return finding("daemon", State::problem, found + "; this command is " STEADYCELL_VERSION,
                   fmt::format("kill {} when its jobs are done (steadycell status), so that the installed one starts",
                               (*client)->process()));
  return finding("daemon", State::good, found);
}

// What steadycelld --check-config says.
Finding check_configuration() {
  const std::string check = "daemon.json";
  const auto config = service::load_daemon_config("");
  if (config) return finding(check, State::good, fmt::format("at most {} clients and {} jobs", config->max_clients, config->max_jobs));
  const std::string& where = config.error().where();
  return finding(check, State::problem, config.error().what() + (where.empty() ? "" : " [" + printable(where) + "]"),
                 "correct the file, or move it away; steadycelld starts with a good one or none");
}

Finding check_simulated_board() {
  std::error_code code;
  const fs::path self = fs::read_symlink("/proc/self/exe", code);
  const fs::path wanted = self.parent_path() / "steadycell-simboard";
  if (!code && ::access(wanted.c_str(), X_OK) == 0) return finding("simulated board", State::good, printable(wanted.string()));
  return finding("simulated board", State::note, "steadycell-simboard does not lie beside this program: sim: boards and the demo need it in PATH", "install steadycell as a whole");
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

Result<json::Object> doctor() {
  json::Array findings;
  bool healthy = true;
  for (const Finding& found : {check_runtime(), check_socket(), check_daemon(), check_configuration(), check_simulated_board(),
                               service::check_device_rules(""), service::check_usb_suspend(""), service::check_usb_memory(""),
                               service::judge_usb_boards(link::list_usb_boards(), "")}) {
    healthy = healthy && found.state != State::problem;
    findings.push_back(service::to_json(found));
  }
  return json::Object{{"healthy", healthy}, {"findings", std::move(findings)}};
}

}  // namespace steadycell::cli
