#include "cli/doctor.h"

#include <sys/stat.h>
#include <unistd.h>

#include <filesystem>

#include "base/text.h"
#include "cli/daemon_client.h"
#include "cli/daemon_process.h"
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
  if (facts.st_uid != ::geteuid())
    return finding("socket", State::problem, printable(path) + " belongs to somebody else", "remove it, then start the daemon again");
  if ((facts.st_mode & 077) != 0)
    return finding("socket", State::problem, printable(path) + " lets others in", "chmod 0600 " + printable(path));
  return finding("socket", State::good, printable(path) + ", open to you alone");
}

// Fails only when it was stopped.
Result<Finding> check_daemon(const std::atomic<bool>* stop) {
  const std::string path = service::socket_path(service::runtime_path());
  const auto client = DaemonClient::connect(path, stop);
  if (!client && client.error().code() == ErrorCode::interrupted) return failure(client.error());
  if (!client) return finding("daemon", State::problem, client.error().what(), client.error().next());
  if (!*client) {
    std::error_code code;
    if (fs::exists(path, code))
      return finding("daemon", State::note, "ended hard: its socket is left behind",
                     "start steadycelld again; commands work without it, too");
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
  return finding("simulated board", State::note,
                 "steadycell-simboard does not lie beside this program: sim: boards and the demo need it in PATH",
                 "install steadycell as a whole");
}

}  // namespace

Result<json::Object> doctor(const std::atomic<bool>* stop) {
  const auto daemon = check_daemon(stop);
  if (!daemon) return failure(daemon.error());
  json::Array findings;
  bool healthy = true;
  for (const Finding& found :
       {check_runtime(), check_socket(), *daemon, check_configuration(), check_simulated_board(),
        service::check_device_rules(""), service::check_usb_suspend(""), service::check_usb_memory(""),
        service::judge_usb_boards(link::list_usb_boards(), "")}) {
    healthy = healthy && found.state != State::problem;
    findings.push_back(service::to_json(found));
  }
  return json::Object{{"healthy", healthy}, {"findings", std::move(findings)}};
}

}  // namespace steadycell::cli
