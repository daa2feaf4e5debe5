// The whole daemon, run by a manager that watches it, with a loop that a test can hang: work put on the loop from outside,
// which never returns. Nothing in the daemon knows of it.
#include <fcntl.h>
#include <signal.h>
#include <sys/resource.h>
#include <sys/wait.h>

#include <array>
#include <boost/asio/posix/stream_descriptor.hpp>
#include <filesystem>
#include <fstream>
#include <functional>
#include <thread>

#include "daemon/manager.h"
#include "daemon/server.h"
#include "service/runtime.h"

namespace steadycell::daemon {
namespace {

using namespace std::chrono_literals;
using testing::Manager;

class WatchedDaemon : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string pattern = (std::filesystem::temp_directory_path() / "steadycell-hang-XXXXXX").string();
    ASSERT_NE(mkdtemp(pattern.data()), nullptr);
    folder_ = pattern;
    setenv("XDG_RUNTIME_DIR", folder_.c_str(), 1);
    setenv("PATH", STEADYCELL_BIN_DIR ":/usr/bin:/bin", 1);  // the simulated board is found there
    std::ofstream(folder_ / "fixture.json") << R"({ "schema": "steadycell-fixture/1", "seed": 1, "timed": true,
      "chip": { "supply_mV": 3300, "timing": { "t_read_us": 500 }, "targets": [ { "id_bytes": "98 D1 90 15 76 14 01 00",
        "geometry": { "page_bytes": 2048, "spare_bytes": 64, "pages_per_block": 64, "blocks": 8, "luns": 1, "planes": 1,
                      "bits_per_cell": 1, "bus_bits": 8, "column_cycles": 2, "row_cycles": 2 } } ] } })";
  }
  void TearDown() override {
    if (daemon_ > 0) {
      ::kill(daemon_, SIGKILL);
      ::waitpid(daemon_, nullptr, 0);
    }
    std::filesystem::remove_all(folder_);
  }

  // In a process of its own, as in main.cpp. A byte in `hang_` hangs its loop; it says so by a byte in `hung_`.
  void start() {
    ASSERT_EQ(::pipe(hang_.data()), 0);
    ASSERT_EQ(::pipe(hung_.data()), 0);
    setenv("WATCHDOG_USEC", "100000", 1);
    daemon_ = ::fork();
    ASSERT_GE(daemon_, 0);
    if (daemon_ == 0) ::_exit(be_daemon());
    ::close(hang_[0]);
    ::close(hung_[1]);
  }
  void hang_loop() {
    ASSERT_EQ(::write(hang_[1], "x", 1), 1);
    char said = 0;
    ASSERT_EQ(::read(hung_[0], &said, 1), 1);
  }
  // How it ended, as waitpid tells.
  int wait_for_end() {
    int status = 0;
    ::waitpid(daemon_, &status, 0);
    daemon_ = 0;
    ::close(hang_[1]);
    ::close(hung_[0]);
    return status;
  }

  // A client that asks for a long read and does not wait for it; closed by the caller.
  int ask_for_a_read() {
    const int fd = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    service::socket_path(service::runtime_path()).copy(address.sun_path, sizeof address.sun_path - 1);
    EXPECT_EQ(::connect(fd, reinterpret_cast<const sockaddr*>(&address), sizeof address), 0);
    const std::string asked = R"({"id": 1, "method": "chip.read", "params": {"board": "sim:)" + (folder_ / "fixture.json").string() +
                              R"(", "supply_mV": 3300, "passes": 255, "blocks": [0, 7], "into": ")" + (folder_ / "capture").string() +
                              "\"}}\n";
    EXPECT_EQ(::send(fd, asked.data(), asked.size(), MSG_NOSIGNAL), static_cast<ssize_t>(asked.size()));
    return fd;
  }
  std::uintmax_t journal_bytes() const {
    std::error_code none_yet;
    const auto size = std::filesystem::file_size(folder_ / "capture/journal", none_yet);
    return none_yet ? 0 : size;
  }
  std::string log() const {
    std::ifstream file(folder_ / "log");
    return {std::istreambuf_iterator<char>(file), {}};
  }

  std::filesystem::path folder_;
  pid_t daemon_ = 0;

 private:
  int be_daemon() {
    const rlimit no_core{0, 0};
    ::setrlimit(RLIMIT_CORE, &no_core);
    const int log = ::open((folder_ / "log").c_str(), O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    if (log < 0 || ::dup2(log, STDERR_FILENO) < 0) return 99;
    boost::asio::io_context loop(1);
    Server server(loop, {}, "", Supervisor::from_environment());
    if (const auto listening = server.listen(); !listening) {
      fmt::print(stderr, "{}\n", listening.error().text());
      return 98;
    }
    boost::asio::posix::stream_descriptor hang(loop, hang_[0]);
    hang.async_wait(boost::asio::posix::stream_descriptor::wait_read, [&](const boost::system::error_code&) {
      static_cast<void>(!::write(hung_[1], "x", 1));
      for (;;) std::this_thread::sleep_for(1h);
    });
    server.run();
    return 0;
  }

  std::array<int, 2> hang_{}, hung_{};
};

void wait_for(Manager& manager, const std::string& word) {
  for (;;) {
    ASSERT_TRUE(manager.hears_within(120'000)) << word << " was never said";
    for (const std::string& said : manager.heard())
      if (said == word) return;
  }
}

TEST_F(WatchedDaemon, F46_HungLoopSendsNoPingsThoughItsJobsLiveAndTheNextStartSaysSo) {
  Manager manager;
  start();
  wait_for(manager, "READY=1");
  for (int i = 0; i < 3; ++i) wait_for(manager, "WATCHDOG=1");
  const int client = ask_for_a_read();
  while (journal_bytes() == 0) wait_for(manager, "WATCHDOG=1");  // a job is no reason to be silent

  hang_loop();
  manager.heard();
  EXPECT_FALSE(manager.hears_within(1000)) << "twenty pings were due, and the loop that owes them hangs";
  const std::uintmax_t before = journal_bytes();
  for (int i = 0; i < 12'000 && journal_bytes() == before; ++i) std::this_thread::sleep_for(10ms);
  EXPECT_GT(journal_bytes(), before) << "another thread lives: it must not be the one that pings";
  EXPECT_FALSE(manager.hears_within(0));

  // What systemd.service(5), WatchdogSec=, then does.
  ::kill(daemon_, SIGABRT);
  const int status = wait_for_end();
  EXPECT_TRUE(WIFSIGNALED(status) && WTERMSIG(status) == SIGABRT);
  ::close(client);
  EXPECT_EQ(log(), "");

  manager.heard();
  start();
  wait_for(manager, "READY=1");
  EXPECT_NE(log().find("was ended hard or hung"), std::string::npos) << log();
  wait_for(manager, "WATCHDOG=1");
  ::kill(daemon_, SIGTERM);
  EXPECT_EQ(wait_for_end(), 0);
}

}  // namespace
}  // namespace steadycell::daemon
