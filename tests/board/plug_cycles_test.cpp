// F-20: a board that is plugged and unplugged for ever leaves nothing behind.
#include <malloc.h>

#include <filesystem>

#include "base/sanitized.h"
#include "board/bench.h"

namespace steadycell::board::testing {
namespace {

std::size_t entries(const char* folder) {
  std::size_t count = 0;
  for ([[maybe_unused]] const auto& entry : std::filesystem::directory_iterator(folder)) ++count;
  return count;
}

struct Held {
  std::size_t descriptors = entries("/proc/self/fd"), threads = entries("/proc/self/task"), heap = mallinfo2().uordblks;
};

TEST(PlugCycles, F20_LeaveNoDescriptorThreadOrMemoryBehind) {
  const unsigned cycles = kSanitized ? 1'000 : 10'000;
  constexpr unsigned kWarmUp = 20;  // what is made once is made by then
  simbench::SimSession session(patient_only());
  Held before;
  for (unsigned cycle = 0; cycle < cycles; ++cycle) {
    if (cycle > 0) session.reconnect();
    if (cycle == kWarmUp) before = Held{};
    with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
      EXPECT_FALSE(board.info().uuid.empty());
      co_return;
    });
    ASSERT_FALSE(HasFailure()) << "in cycle " << cycle;
  }
  const Held after;
  EXPECT_LE(after.descriptors, before.descriptors);
  EXPECT_LE(after.threads, before.threads);
  EXPECT_LT(after.heap, before.heap + (std::size_t{64} << 10)) << "less than 7 bytes a cycle";
}

}  // namespace
}  // namespace steadycell::board::testing
