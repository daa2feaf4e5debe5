#include "passes/clock.h"

#include <fcntl.h>
#include <gtest/gtest.h>
#include <sched.h>
#include <sys/wait.h>
#include <unistd.h>

#include <string_view>

namespace steadycell::passes {
namespace {

constexpr std::uint64_t kSlept = 36'000;  // s
constexpr int kCounted = 0, kNotCounted = 1, kNotAllowed = 2;

int wait_for(pid_t child) {
  int status = 0;
  waitpid(child, &status, 0);
  return WIFEXITED(status) ? WEXITSTATUS(status) : kNotCounted;
}

// What a process sees whose boot-time clock is ten hours ahead, as after a sleep (time_namespaces(7)): only children of the one
// that makes the namespace live in it.
int after_a_sleep(std::uint64_t before_ns) {
  if (unshare(CLONE_NEWTIME) != 0 && unshare(CLONE_NEWUSER | CLONE_NEWTIME) != 0) return kNotAllowed;
  constexpr std::string_view kOffset = "boottime 36000 0";
  const int file = open("/proc/self/timens_offsets", O_WRONLY | O_CLOEXEC);
  if (file < 0 || write(file, kOffset.data(), kOffset.size()) != static_cast<ssize_t>(kOffset.size())) return kNotAllowed;
  close(file);
  const pid_t child = fork();
  if (child == 0) _exit(system_clock().monotonic_ns() - before_ns >= kSlept * 1'000'000'000 ? kCounted : kNotCounted);
  return wait_for(child);
}

TEST(Clock, F19_DurationsCountTheTimeTheComputerSlept) {
  const std::uint64_t before = system_clock().monotonic_ns();
  const pid_t child = fork();
  if (child == 0) _exit(after_a_sleep(before));
  const int seen = wait_for(child);
  if (seen == kNotAllowed) GTEST_SKIP() << "this user may make no time namespace";
  EXPECT_EQ(seen, kCounted);
}

}  // namespace
}  // namespace steadycell::passes
