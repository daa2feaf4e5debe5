// A host built as release HOST_VERSION with a device core built as release BOARD_VERSION. Each release speaks its
// own version and the one before it (firmware_protocol/PROTOCOL.md, section 3).
#include <algorithm>
#include <map>
#include <mutex>

#include "board/bench.h"

namespace steadycell::board {
namespace {

using namespace testing;

constexpr bool kNeighbours = HOST_VERSION - BOARD_VERSION <= 1 && BOARD_VERSION - HOST_VERSION <= 1;
constexpr int kAgreed = std::min(HOST_VERSION, BOARD_VERSION);

// Counts the frames of the board by their version.
class Versions {
 public:
  explicit Versions(simbench::SimSession& session) {
    session.board().faults().on_frame([this](simbench::OutgoingFrame& frame) {
      const std::lock_guard lock(mutex_);
      ++frames_[frame.header.version];
    });
  }
  std::map<int, int> frames() {
    const std::lock_guard lock(mutex_);
    return frames_;
  }

 private:
  std::mutex mutex_;
  std::map<int, int> frames_;
};

asio::awaitable<Result<std::unique_ptr<BoardClient>>> open(simbench::SimSession& session) {
  const auto executor = co_await asio::this_coro::executor;
  co_return co_await BoardClient::connect(link::adopt_socket(executor, session.take_host_fd(), "bench"), nullptr);
}

TEST(Versions, F49_NeighboursReadAChipAndOthersAreRefusedWithBothRangesNamed) {
  simbench::SimSession session(numbered_chip());
  Versions seen(session);
  run([&]() -> asio::awaitable<void> {
    auto opened = co_await open(session);
    if (!kNeighbours) {
      EXPECT_FALSE(opened);
      if (opened) co_return;
      EXPECT_EQ(opened.error().code(), ErrorCode::protocol_version);
      EXPECT_NE(opened.error().text().find(fmt::format("the board speaks protocol {} to {}, this program {} to {}",
                                                       BOARD_VERSION - 1, BOARD_VERSION,
                                                       std::max(1, HOST_VERSION - 1), HOST_VERSION)),
                std::string::npos)
          << opened.error().text();
      co_return;
    }
    EXPECT_TRUE(opened) << (opened ? "" : opened.error().text());
    if (!opened) co_return;
    BoardClient& board = **opened;
    EXPECT_EQ(board.info().protocol, kAgreed);

    {
      auto lease = co_await power(board);
      EXPECT_TRUE(lease);
      const auto program = read_page_program();
      RunRequest request;
      request.program = &program;
      request.rows = {.first = 3, .rows = 40};
      CollectPages pages;
      const auto ran = co_await board.run(request, pages);
      EXPECT_TRUE(ran) << (ran ? "" : ran.error().text());
      expect_pages(pages, 3, 40);
      co_await sleep(700ms);  // longer than a board waits for a heartbeat that it understands
      const auto state = co_await board.state();
      EXPECT_TRUE(state && state->socket_on == 1 && state->frames_bad == 0);
      if (lease) {
        EXPECT_TRUE(co_await lease->power_down());
      }
    }
    const auto contacts = co_await board.contacts(1, 49);
    EXPECT_TRUE(contacts) << (contacts ? "" : contacts.error().text());
    EXPECT_TRUE(co_await board.start_supply(SCP_RAIL_SOCKET, Nanoseconds(100'000), Nanoseconds(0), 0ms,
                                            [](const SampleFrame&) {}));
    co_await sleep(50ms);
    EXPECT_TRUE(co_await board.stop_supply());
    const auto frames = seen.frames();
    EXPECT_EQ(frames.size(), 1u) << "the board changed its version in the middle";
    EXPECT_EQ(frames.begin()->first, kAgreed);
    EXPECT_GT(frames.begin()->second, 50);
    co_await board.close();
  });
}

#if HOST_VERSION - BOARD_VERSION <= 1 && BOARD_VERSION - HOST_VERSION <= 1  // the others do not talk

// A restarted firmware speaks its newest version until it is greeted: what it says then must lead to a new
// greeting, not to a board given up.
TEST(Versions, F13_F49_RestartedBoardIsSeenAndGreetedAgain) {
  simbench::SimSession session(numbered_chip());
  run([&]() -> asio::awaitable<void> {
    auto opened = co_await open(session);
    EXPECT_TRUE(opened);
    if (!opened) co_return;
    BoardClient& board = **opened;
    EXPECT_TRUE(co_await board.state());
    session.board().faults().reboot = true;
    co_await sleep(300ms);
    const auto first = co_await board.state();
    EXPECT_FALSE(first);
    if (!first) {
      EXPECT_EQ(first.error().code(), ErrorCode::link_lost) << first.error().text();
    }
    EXPECT_EQ(board.stats().restarts, 1u);
    const auto second = co_await board.state();
    EXPECT_TRUE(second) << (second ? "" : second.error().text());
    EXPECT_EQ(board.info().protocol, kAgreed);
    EXPECT_FALSE(board.lost());
    co_await board.close();
  });
}

// "new fields go to the end": what a later release adds to its greeting must not trouble this one.
TEST(Versions, F49_LongerGreetingOfALaterReleaseIsTaken) {
  simbench::SimSession session(numbered_chip());
  session.board().faults().on_frame([](simbench::OutgoingFrame& frame) {
    if (frame.header.type != (SCP_HELLO | SCP_ANSWER)) return;
    Bytes payload(frame.bytes.begin() + SCP_HEADER_BYTES, frame.bytes.end() - SCP_TRAILER_BYTES);
    payload.insert(payload.end(), {0xDE, 0xAD, 0xBE, 0xEF});
    scp_header header = frame.header;
    header.length = static_cast<std::uint32_t>(payload.size());
    frame.bytes.assign(SCP_HEADER_BYTES + payload.size() + SCP_TRAILER_BYTES, 0);
    scp_put_header(frame.bytes.data(), &header);
    std::copy(payload.begin(), payload.end(), frame.bytes.begin() + SCP_HEADER_BYTES);
    scp_put_trailer(frame.bytes.data() + SCP_HEADER_BYTES + payload.size(), payload.data(), payload.size());
  });
  run([&]() -> asio::awaitable<void> {
    auto opened = co_await open(session);
    EXPECT_TRUE(opened) << (opened ? "" : opened.error().text());
    if (!opened) co_return;
    EXPECT_EQ((*opened)->info().targets, 4u);
    EXPECT_TRUE(co_await (*opened)->state());
    co_await (*opened)->close();
  });
}

#endif

}  // namespace
}  // namespace steadycell::board
