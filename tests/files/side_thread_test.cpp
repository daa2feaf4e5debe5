#include "files/side_thread.h"

#include <gtest/gtest.h>

#include <atomic>
#include <chrono>
#include <thread>

namespace steadycell::files {
namespace {

TEST(SideThread, HasDoneEachTaskWhenWaitReturns) {
  int done = 0;
  SideThread side;
  for (int task = 1; task <= 1000; ++task) {  // often enough for both: taken by the thread, and not begun when it is waited for
    side.start([&] { ++done; });
    side.wait();
    ASSERT_EQ(done, task);
  }
}

TEST(SideThread, WaitsForNothingWhenNothingWasStarted) {
  SideThread side;
  side.wait();
}

TEST(SideThread, EndsWhileATaskIsAtWork) {
  std::atomic<bool> begun = false, ended = false;
  {
    SideThread side;
    side.start([&] {
      begun = true;
      std::this_thread::sleep_for(std::chrono::milliseconds(5));
      ended = true;
    });
  }
  EXPECT_EQ(begun, ended);  // done whole or not at all
}

}  // namespace
}  // namespace steadycell::files
