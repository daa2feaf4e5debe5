#include "service/hold.h"

#include <gtest/gtest.h>
#include <sys/stat.h>
#include <unistd.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <optional>
#include <thread>

#include "service/runtime.h"

namespace steadycell::service {
namespace {

namespace asio = boost::asio;
constexpr const char* kBoard = "f81d4fae-7dec-11d0-a765-00a0c91e6bf6";

class Hold : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string pattern = (std::filesystem::temp_directory_path() / "steadycell-hold-XXXXXX").string();
    ASSERT_NE(mkdtemp(pattern.data()), nullptr);
    folder_ = pattern;
    setenv("XDG_RUNTIME_DIR", folder_.c_str(), 1);
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }

  static Holder holder(const std::string& method, const std::string& board = kBoard) {
    return {.board = board, .program = "steadycell", .method = method, .process = ::getpid(), .since = "2026-03-02T09:15:00Z"};
  }
  using Taken = std::optional<Result<BoardHold>>;
  void ask(Taken& into, const std::string& method, const std::atomic<bool>* stop = nullptr, const std::string& board = kBoard) {
    asio::co_spawn(loop_, take_into(into, holder(method, board), stop), [](const std::exception_ptr& fault) { ASSERT_FALSE(fault); });
  }
  Result<BoardHold> take(const std::string& method, const std::atomic<bool>* stop = nullptr, const std::string& board = kBoard) {
    Taken taken;
    ask(taken, method, stop, board);
    loop_.restart();
    loop_.run();
    return std::move(*taken);
  }

  static asio::awaitable<void> take_into(Taken& into, Holder who, const std::atomic<bool>* stop) {
    auto hold = co_await BoardHold::take(std::move(who), stop);
    into.emplace(std::move(hold));
  }

  std::filesystem::path folder_;
  asio::io_context loop_{1};
};

TEST_F(Hold, TheSecondIsToldWhoHoldsTheBoardAndSinceWhen) {
  const auto first = take("chip.read");
  ASSERT_TRUE(first) << first.error().text();
  const auto second = take("socket.check");
  ASSERT_FALSE(second);
  EXPECT_EQ(second.error().code(), ErrorCode::board_busy);
  EXPECT_EQ(second.error().exit_code(), 9);
  EXPECT_NE(second.error().what().find(fmt::format("steadycell chip.read (process {}) since 2026-03-02T09:15:00Z", ::getpid())),
            std::string::npos)
      << second.error().what();
  EXPECT_TRUE(take("socket.check", nullptr, "01234567-7dec-11d0-a765-00a0c91e6bf6")) << "another board is free";
}

TEST_F(Hold, BoardIsFreeAgainAfterwards) {
  { ASSERT_TRUE(take("chip.read")); }
  const auto next = take("socket.check");
  ASSERT_TRUE(next) << next.error().text();
  const auto held = held_boards();
  ASSERT_TRUE(held);
  ASSERT_EQ(held->size(), 1u);
  EXPECT_EQ((*held)[0].method, "socket.check");
  EXPECT_EQ((*held)[0].board, kBoard);
}

TEST_F(Hold, HolderThatWasAskedToStopIsWaitedFor) {
  std::atomic<bool> stop{false};
  Taken first, second;
  ask(first, "chip.read", &stop);
  loop_.run();
  ASSERT_TRUE(first && *first);
  stop = true;
  ask(second, "chip.identify");
  loop_.restart();
  loop_.poll();
  EXPECT_FALSE(second.has_value()) << "it waits";
  first.reset();
  loop_.run();
  ASSERT_TRUE(second && *second) << (*second).error().text();
}

TEST_F(Hold, WhoWaitsCanBeStopped) {
  std::atomic<bool> stop_first{true}, stop_second{false};
  const auto first = take("chip.read", &stop_first);
  ASSERT_TRUE(first);
  Taken second;
  ask(second, "chip.identify", &stop_second);
  asio::post(loop_, [&] { stop_second = true; });
  loop_.restart();
  loop_.run();
  ASSERT_TRUE(second.has_value());
  ASSERT_FALSE(*second);
  EXPECT_EQ(second->error().code(), ErrorCode::interrupted);
}

TEST_F(Hold, NameOfAKilledHolderMeansNothing) {
  ASSERT_TRUE(take("chip.read"));
  std::ofstream(folder_ / "steadycell/boards" / (std::string(kBoard) + ".lock"))
      << R"({"board": "x", "program": "dead", "method": "chip.read", "process": 999999999, "since": "then", "held_by_process": 999999999})";
  EXPECT_TRUE(held_boards()->empty());
  EXPECT_TRUE(take("chip.identify"));
}

TEST_F(Hold, ClientThatHasGoneKeepsItsNameWhileTheDaemonHolds) {
  Taken first;
  Holder gone = holder("chip.read");
  gone.process = 999999999;
  asio::co_spawn(loop_, take_into(first, gone, nullptr), [](const std::exception_ptr& fault) { ASSERT_FALSE(fault); });
  loop_.run();
  ASSERT_TRUE(first && *first);
  Taken second;
  ask(second, "chip.identify");
  loop_.restart();
  loop_.poll();
  ASSERT_TRUE(second.has_value()) << "the answer is there at once: nobody waits for a name";
  ASSERT_FALSE(*second);
  EXPECT_NE(second->error().what().find("process 999999999"), std::string::npos) << second->error().what();
}

// Who asks while a stopped holder lets go, at whatever moment of that, waits and gets the board: its lock is never seen held
// without its stop flag, or with the name of somebody who has let go.
TEST_F(Hold, F29_HandingOverNeverLooksBusy) {
  for (int turn = 0; turn < 300; ++turn) {
    std::atomic<bool> stop_first{true}, go{false};
    auto first = take("chip.read", &stop_first);
    ASSERT_TRUE(first) << first.error().text();
    std::string refused;
    std::thread second([&] {
      asio::io_context loop(1);
      Taken hold;
      asio::co_spawn(loop, take_into(hold, holder("chip.identify"), nullptr), asio::detached);
      while (!go) {
      }
      loop.run();
      refused = hold.has_value() && *hold ? "" : hold ? hold->error().text() : "an exception";
    });
    go = true;
    { const BoardHold ends = std::move(*first); }
    second.join();
    ASSERT_EQ(refused, "") << "turn " << turn;
  }
}

TEST_F(Hold, AddressOfABoardMayHoldAnything) {
  const std::string address = "unix:/a/path/../with\nanything \xff";
  const auto first = take("chip.read", nullptr, address);
  ASSERT_TRUE(first) << first.error().text();
  const auto second = take("chip.read", nullptr, address);
  ASSERT_FALSE(second);
  EXPECT_EQ(second.error().what().find('\n'), std::string::npos);
}

TEST_F(Hold, RuntimeFolderIsOursAloneOrRefused) {
  const auto folder = runtime_folder();
  ASSERT_TRUE(folder) << folder.error().text();
  struct stat facts {};
  ASSERT_EQ(::stat(folder->c_str(), &facts), 0);
  EXPECT_EQ(facts.st_mode & 07777, 0700u);
  ASSERT_EQ(::chmod(folder->c_str(), 0750), 0);
  EXPECT_EQ(runtime_folder().error().code(), ErrorCode::no_permission);
  std::filesystem::remove_all(*folder);
  std::filesystem::create_directory(folder_ / "elsewhere");
  std::filesystem::create_directory_symlink(folder_ / "elsewhere", *folder);
  EXPECT_EQ(runtime_folder().error().code(), ErrorCode::no_permission);
  setenv("XDG_RUNTIME_DIR", (folder_ / "missing").c_str(), 1);
  EXPECT_EQ(runtime_folder().error().code(), ErrorCode::no_permission);
}

}  // namespace
}  // namespace steadycell::service
