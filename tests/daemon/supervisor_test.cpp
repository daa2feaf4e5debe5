#include "daemon/supervisor.h"

#include <cstdlib>
#include <thread>

#include "daemon/manager.h"

namespace steadycell::daemon {
namespace {

using namespace std::chrono_literals;
using testing::Manager;

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
