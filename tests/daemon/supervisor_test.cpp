#include "daemon/supervisor.h"

#include <gtest/gtest.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <cstddef>
#include <cstdlib>
#include <thread>

namespace steadycell::daemon {
namespace {

using namespace std::chrono_literals;

// What sd_notify(3) of systemd 252 says a manager is: a datagram socket, here in the abstract name space.
class Manager {
 public:
  Manager() : name_("@steadycell-" + std::to_string(::getpid())), fd_(::socket(AF_UNIX, SOCK_DGRAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0)) {
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    name_.copy(address.sun_path, name_.size());
    address.sun_path[0] = '\0';
    EXPECT_EQ(::bind(fd_, reinterpret_cast<const sockaddr*>(&address), static_cast<socklen_t>(offsetof(sockaddr_un, sun_path) + name_.size())), 0);
    setenv("NOTIFY_SOCKET", name_.c_str(), 1);
  }
  ~Manager() { ::close(fd_); }
  Manager(const Manager&) = delete;
  Manager& operator=(const Manager&) = delete;

  // What was said since the last call, one text a datagram.
  std::vector<std::string> heard() {
    std::vector<std::string> all;
    char buffer[256];
    for (ssize_t got = 0; (got = ::recv(fd_, buffer, sizeof buffer, 0)) >= 0;) all.emplace_back(buffer, static_cast<std::size_t>(got));
    return all;
  }

 private:
  std::string name_;
  int fd_;
};

TEST(Supervisor, SaysWhatAManagerWaitsForAndHidesItFromChildren) {
  Manager manager;
  Supervisor supervisor = Supervisor::from_environment();
  EXPECT_EQ(std::getenv("NOTIFY_SOCKET"), nullptr);
  supervisor.ready();
  supervisor.status("2 jobs");
  supervisor.stopping();
  EXPECT_EQ(manager.heard(), (std::vector<std::string>{"READY=1", "STATUS=2 jobs", "STOPPING=1"}));
}

TEST(Supervisor, PingsAtHalfTheIntervalFromTheLoopOnly) {
  Manager manager;
  setenv("WATCHDOG_USEC", "20000", 1);
  Supervisor supervisor = Supervisor::from_environment();
  EXPECT_EQ(supervisor.ping_interval(), 10ms);
  boost::asio::io_context loop(1);
  supervisor.keep_alive(loop);
  EXPECT_EQ(manager.heard().size(), 1u);
  std::this_thread::sleep_for(100ms);  // a loop that hangs: ten pings would have been due
  EXPECT_EQ(manager.heard().size(), 0u);
  loop.run_one();
  EXPECT_EQ(manager.heard(), std::vector<std::string>{"WATCHDOG=1"});
  supervisor.end_keep_alive();
  loop.run();
  EXPECT_EQ(manager.heard().size(), 0u);
}

TEST(Supervisor, LeavesAloneWhatIsMeantForAnotherProcess) {
  setenv("WATCHDOG_USEC", "20000", 1);
  setenv("WATCHDOG_PID", "1", 1);
  setenv("LISTEN_FDS", "1", 1);
  setenv("LISTEN_PID", "1", 1);
  Supervisor supervisor = Supervisor::from_environment();
  EXPECT_FALSE(supervisor.ping_interval());
  const auto none = supervisor.listening_socket();
  ASSERT_TRUE(none);
  EXPECT_FALSE(*none);
}

TEST(Supervisor, DoesNothingWithoutAManager) {
  Supervisor supervisor = Supervisor::from_environment();
  boost::asio::io_context loop(1);
  supervisor.ready();
  supervisor.keep_alive(loop);
  EXPECT_EQ(loop.run(), 0u);
}

}  // namespace
}  // namespace steadycell::daemon
