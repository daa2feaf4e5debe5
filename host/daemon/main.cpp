#include <signal.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <exception>
#include <iostream>

#include "base/text.h"
#include "daemon/server.h"
#include "service/daemon_config.h"
#include "service/last_words.h"
#include "service/runtime.h"

namespace steadycell::daemon {
namespace {

int tell(const Error& error) {
  std::cerr << printable(error.text()) << '\n';
  return error.exit_code();
}

int run(int argc, char** argv) {
  std::string config_path;
  bool check = false;
  CLI::App app("Runs the board work of steadycell commands, for one user, and lets others watch it.", "steadycelld");
  app.set_version_flag("--version", "steadycelld " STEADYCELL_VERSION);
  app.add_option("--config", config_path, "configuration; default steadycell/daemon.json in $XDG_CONFIG_HOME or ~/.config");
  app.add_flag("--check-config", check, "say whether the configuration is good, and leave");
  app.footer("Ends at SIGTERM when its jobs have stopped at their next unit; reads the configuration again at SIGHUP.");
  try {
    app.parse(argc, argv);
  } catch (const CLI::Success& help) {
    return app.exit(help);
  } catch (const CLI::ParseError& wrong) {
    return tell(Error(ErrorCode::wrong_usage, wrong.what()).advising("see steadycelld --help"));
  }

  const auto config = service::load_daemon_config(config_path);
  if (!config) return tell(config.error());
  if (const auto threads = Jobs::check_threads(); !threads) return tell(threads.error());
  if (check) {
    const auto runtime = service::runtime_folder();
    if (!runtime) return tell(runtime.error());
    std::cout << "the configuration is good: at most " << config->max_clients << " clients and " << config->max_jobs
              << " jobs, socket " << printable(service::socket_path(*runtime)) << '\n';
    return 0;
  }
  boost::asio::io_context loop(1);
  Server server(loop, *config, config_path, Supervisor::from_environment());
  if (const auto listening = server.listen(); !listening) return tell(listening.error());
  server.run();
  // All is stopped: a signal that comes now has nothing to end, and must not change how this ends.
  sigset_t late;
  sigemptyset(&late);
  sigaddset(&late, SIGTERM);
  sigaddset(&late, SIGINT);
  ::pthread_sigmask(SIG_BLOCK, &late, nullptr);
  return 0;
}

}  // namespace
}  // namespace steadycell::daemon

int main(int argc, char** argv) {
  try {
    steadycell::service::end_without_memory(steadycell::service::without_memory().text() + "\n", STDERR_FILENO);
    return steadycell::daemon::run(argc, argv);
  } catch (const std::exception& fault) {
    std::cerr << "e601 internal fault: " << fault.what() << ": report it with the message\n";
    return 1;
  }
}
