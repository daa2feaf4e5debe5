// Whatever ends a job, the rails of its board go down: seen from a second connection to the very same board.
#include <gtest/gtest.h>
#include <signal.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <array>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <optional>
#include <thread>

#include "board/client.h"
#include "link/link.h"
#include "service/service.h"

extern char** environ;

namespace steadycell::service {
namespace {

namespace asio = boost::asio;

// A simulated board that outlives its hosts, at a Unix socket.
class PowerOfABoard : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string pattern = (std::filesystem::temp_directory_path() / "steadycell-power-XXXXXX").string();
    ASSERT_NE(mkdtemp(pattern.data()), nullptr);
    folder_ = pattern;
    setenv("XDG_RUNTIME_DIR", folder_.c_str(), 1);
    std::ofstream(folder_ / "fixture.json") << R"({ "schema": "steadycell-fixture/1", "seed": 3, "timed": true,
      "chip": { "supply_mV": 3300, "targets": [ { "id_bytes": "98 D1 90 15 76 14 01 00",
        "geometry": { "page_bytes": 2048, "spare_bytes": 64, "pages_per_block": 64, "blocks": 8, "luns": 1, "planes": 1,
                      "bits_per_cell": 1, "bus_bits": 8, "column_cycles": 2, "row_cycles": 2 } } ] } })";
    const std::string program = STEADYCELL_BIN_DIR "/steadycell-simboard", fixture = folder_ / "fixture.json",
                      listen = "unix:" + (folder_ / "board").string();
    const char* argv[] = {program.c_str(), fixture.c_str(), "--listen", listen.c_str(), nullptr};
    ASSERT_EQ(::posix_spawn(&board_, program.c_str(), nullptr, nullptr, const_cast<char**>(argv), environ), 0);
    while (!std::filesystem::exists(folder_ / "board")) ASSERT_EQ(::waitpid(board_, nullptr, WNOHANG), 0) << "the simulated board ended";
  }
  void TearDown() override {
    ::kill(board_, SIGTERM);
    ::waitpid(board_, nullptr, 0);
    std::filesystem::remove_all(folder_);
  }

  std::string address() const { return "unix:" + (folder_ / "board").string(); }
  json::Object read_params() const {
    return {{"board", address()},
            {"supply_mV", 3300},
            {"passes", 200},
            {"blocks", json::Array{0, 7}},
            {"into", (folder_ / "capture").string()}};
  }

  // Reads on as a person would: on a machine so busy that the board hears nothing for 500 ms it cuts its rails, and the same
  // command goes on. Gives up after 20 tries.
  Result<json::Object> read_on(const JobHooks& hooks) const {
    auto result = Service().call("chip.read", read_params(), hooks);
    for (int i = 0; i < 20 && !result && result.error().code() != ErrorCode::interrupted; ++i)
      result = Service().call("chip.read", read_params(), hooks);
    return result;
  }

  // The board as a second host sees it. Nothing when it cannot be reached (yet): a board talks to one host at a time.
  std::optional<scp_board_state> state() {
    asio::io_context loop(1);
    std::optional<scp_board_state> seen;
    asio::co_spawn(loop, look(seen), [](const std::exception_ptr& fault) { ASSERT_FALSE(fault); });
    loop.run();
    return seen;
  }

  std::filesystem::path folder_;
  pid_t board_ = 0;

 private:
  asio::awaitable<void> look(std::optional<scp_board_state>& seen) {
    link::BoardAddress where = *link::parse_board_address(address());
    auto opened = co_await link::open_link(std::move(where));
    if (!opened) co_return;
    auto board = co_await board::BoardClient::connect(std::move(*opened), nullptr);
    if (!board) co_return;
    if (const auto state = co_await (*board)->state()) seen = *state;
    co_await (*board)->close();
  }
};

TEST_F(PowerOfABoard, IsOffWhenAStoppedJobHasAnswered) {
  std::atomic<bool> stop{false};
  JobHooks hooks;
  hooks.stop = &stop;
  hooks.progress = [&](const api::Progress& progress) { stop = progress.done > 0; };
  const auto stopped = read_on(hooks);
  ASSERT_FALSE(stopped);
  EXPECT_EQ(stopped.error().code(), ErrorCode::interrupted) << stopped.error().text();
  auto seen = state();
  for (int i = 0; i < 20 && !seen; ++i) seen = state();
  ASSERT_TRUE(seen);
  EXPECT_FALSE(seen->socket_on);
  EXPECT_LT(seen->socket_mv, 100);  // design.md: bled below 0.1 V
}

TEST_F(PowerOfABoard, GoesOffByItselfWhenTheHostIsKilled) {
  std::array<int, 2> ends{};
  ASSERT_EQ(::pipe(ends.data()), 0);
  const pid_t host = ::fork();
  ASSERT_GE(host, 0);
  if (host == 0) {
    JobHooks hooks;
    hooks.progress = [&](const api::Progress& progress) {
      if (progress.done > 0) static_cast<void>(!::write(ends[1], "x", 1));
    };
    static_cast<void>(read_on(hooks));
    ::_exit(0);
  }
  ::close(ends[1]);
  char reading = 0;
  ASSERT_EQ(::read(ends[0], &reading, 1), 1) << "the host never read";
  ::close(ends[0]);
  ::kill(host, SIGKILL);
  ::waitpid(host, nullptr, 0);
  // Within 500 ms of silence by the board's own clock, which a busy machine may hold up. Each look breaks the silence.
  std::optional<scp_board_state> seen;
  for (int i = 0; i < 60 && (!seen || seen->socket_on || seen->socket_mv >= 100); ++i) {
    std::this_thread::sleep_for(std::chrono::seconds(1));
    seen = state();
  }
  ASSERT_TRUE(seen);
  EXPECT_FALSE(seen->socket_on);
  EXPECT_LT(seen->socket_mv, 100);
  // And the board is good for the next job, whose hold the dead one does not keep.
  json::Object params{{"board", address()}, {"supply_mV", 3300}};
  auto next = Service().call("chip.identify", params, {});
  for (int i = 0; i < 20 && !next && next.error().code() != ErrorCode::board_busy; ++i) next = Service().call("chip.identify", params, {});
  EXPECT_TRUE(next) << next.error().text();
}

}  // namespace
}  // namespace steadycell::service
