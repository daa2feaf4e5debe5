#include "cli/doctor.h"

#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <filesystem>
#include <fstream>
#include <regex>
#include <utility>

#include "base/text.h"
#include "cli/daemon_client.h"
#include "files/atomic.h"
#include "service/daemon_config.h"
#include "service/runtime.h"

namespace steadycell::cli {
namespace {

namespace fs = std::filesystem;
using State = Finding::State;
constexpr std::uint64_t kMaxFile = 1 << 20;

Finding finding(std::string check, State state, std::string found, std::string cure = {}) {
  return {.check = std::move(check), .state = state, .found = std::move(found), .cure = std::move(cure)};
}

std::vector<std::string> rule_files(const std::string& root) {
  std::vector<std::string> files;
  for (const char* folder : {"/etc/udev/rules.d", "/run/udev/rules.d", "/usr/lib/udev/rules.d"}) {
    std::error_code code;
    for (fs::directory_iterator entry(root + folder, code), end; !code && entry != end; entry.increment(code)) {
      const std::string name = entry->path().filename().string();
      if (name.find("steadycell") != std::string::npos && name.ends_with(".rules")) files.push_back(entry->path().string());
    }
  }
  std::sort(files.begin(), files.end());
  return files;
}

// The rules' words without comments.
std::string rules_in(const std::string& text) {
  std::string rules;
  std::size_t at = 0;
  while (at < text.size()) {
    const std::size_t end = std::min(text.find('\n', at), text.size());
    if (text[at] != '#') rules += text.substr(at, end - at) + "\n";
    at = end + 1;
  }
  return rules;
}

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

const char* name_of(State state) {
  switch (state) {
    case State::good:
      return "good";
    case State::note:
      return "note";
    case State::problem:
      break;
  }
  return "problem";
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

Finding check_device_rules(const std::string& root) {
  const std::string check = "device rule";
  const auto files = rule_files(root);
  if (files.empty()) return finding(check, State::note, "no udev rule for the board: on USB only the system's administrator can open it", "copy host/install/70-steadycell.rules to /etc/udev/rules.d (the package brings it), then unplug and plug in the board");
  std::string rules;
  for (const std::string& path : files) {
    const auto text = files::read_text(files::posix(), path, kMaxFile);
    if (!text) return finding(check, State::problem, printable(path) + " cannot be read", "chmod 0644 " + printable(path));
    const std::string own = rules_in(*text);
    // systemd's 73-seat-late.rules act on the tag; a rule behind them sets it too late.
    if (own.find("uaccess") != std::string::npos && fs::path(path).filename().string() >= "73")
      return finding(check, State::problem, printable(path) + " comes too late for uaccess", "give it a number below 73");
    if (std::regex_search(own, std::regex("MODE:?=\"0?666\""))) return finding(check, State::problem, printable(path) + " lets everybody use the board", "use MODE=\"0660\" with GROUP and TAG+=\"uaccess\"");
    if (std::regex_search(own, std::regex("id(Vendor|Product)\\}==\"(0x|[0-9a-f]*[A-F])")))
      return finding(check, State::problem, printable(path) + " has an id that never matches", "write ids in lower-case hex without 0x");
    rules += own;
  }
  const bool usb = rules.find("SUBSYSTEM==\"usb\"") != std::string::npos, hid = rules.find("SUBSYSTEM==\"hidraw\"") != std::string::npos;
  if (!usb || !hid) return finding(check, State::problem, fmt::format("there is no rule for the {} node", usb ? "hidraw" : "usb"), "write one rule for each of the two nodes of the board");
  return finding(check, State::good, printable(files.front()));
}

Finding check_usb_suspend(const std::string& root) {
  const std::string check = "usb suspend";
  const auto text = files::read_text(files::posix(), root + "/sys/module/usbcore/parameters/autosuspend", 64);
  if (!text) return finding(check, State::note, "this kernel shows no setting for suspending USB devices");
  const std::string seconds = text->substr(0, text->find('\n'));
  if (seconds.starts_with('-')) return finding(check, State::good, "USB devices are never suspended");
  for (const std::string& path : rule_files(root)) {
    const auto rule = files::read_text(files::posix(), path, kMaxFile);
    if (rule && rules_in(*rule).find("ATTR{power/control}=\"on\"") != std::string::npos) return finding(check, State::good, "the board is kept awake by its rule");
  }
  return finding(check, State::note, fmt::format("idle USB devices are suspended after {} s, a board on USB too", printable(seconds)),
                 "before a board is used on USB: a rule with ATTR{power/control}=\"on\", or usbcore.autosuspend=-1 for the kernel");
}

Finding check_usb_memory(const std::string& root) {
  constexpr std::uint64_t kLeastMib = 4;  // a ring of transfers takes a quarter, 1 MiB when it may
  const std::string check = "usb memory";
  const auto text = files::read_text(files::posix(), root + "/sys/module/usbcore/parameters/usbfs_memory_mb", 64);
  if (!text) return finding(check, State::note, "this kernel shows no limit for the memory of USB transfers");
  const auto limit = parse_number(std::string_view(*text).substr(0, text->find('\n')));
  if (!limit) return finding(check, State::note, "the kernel's limit for USB transfers is no number: " + printable(*text));
  if (*limit == 0) return finding(check, State::good, "no limit for USB transfers");
  if (*limit >= kLeastMib) return finding(check, State::good, fmt::format("{} MiB for the USB transfers of all programs", *limit));
  return finding(check, State::note, fmt::format("{} MiB for the USB transfers of all programs: reading is slower", *limit), "set usbcore.usbfs_memory_mb=16, the kernel's own default");
}

Finding judge_usb_boards(const Result<std::vector<link::UsbBoard>>& boards) {
  const std::string check = "usb boards";
  if (!boards) return finding(check, State::note, boards.error().what(), "nothing, unless a board is to be used on USB here");
  if (boards->empty()) return finding(check, State::good, "none is plugged in");
  std::string found;
  for (const link::UsbBoard& board : *boards) {
    if (::access(board.node.c_str(), R_OK | W_OK) != 0)
      return finding(check, State::problem, fmt::format("usb:{}: you may not use {}", board.place, board.node), "install the udev rule, join the group steadycell or sit at the machine, then unplug and plug in the board");
    for (const link::UsbBoard& other : *boards)
      if (&other != &board && other.serial == board.serial)
        return finding(check, State::problem, fmt::format("usb:{} and usb:{} say they are the same board", board.place, other.place), "name them by place, as in --board usb:" + board.place);
    found += fmt::format("{}usb:{} {}{}", found.empty() ? "" : ", ", board.place, board.serial.empty() ? "without a serial" : board.serial, board.full_speed ? " at full speed" : "");
  }
  for (const link::UsbBoard& board : *boards)
    if (board.full_speed) return finding(check, State::note, found, "full speed is about thirty times slower: plug the board into a high-speed port, by another cable");
  return finding(check, State::good, found);
}

Result<json::Object> doctor() {
  json::Array findings;
  bool healthy = true;
  for (const Finding& found : {check_runtime(), check_socket(), check_daemon(), check_configuration(), check_simulated_board(),
                               check_device_rules(""), check_usb_suspend(""), check_usb_memory(""),
                               judge_usb_boards(link::list_usb_boards())}) {
    healthy = healthy && found.state != State::problem;
    findings.push_back(json::Object{{"check", found.check}, {"state", name_of(found.state)}, {"found", found.found},
                                    {"cure", found.cure.empty() ? json::Value(nullptr) : json::Value(found.cure)}});
  }
  return json::Object{{"healthy", healthy}, {"findings", std::move(findings)}};
}

}  // namespace steadycell::cli
