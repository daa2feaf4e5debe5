// Every fault of the stream that the bench can make, one test each, named after the row of the fault list.
#include <algorithm>
#include <random>

#include "board/bench.h"

namespace steadycell::board {
namespace {

using namespace testing;
using simbench::SimSession;

RunRequest read_rows(const protocol::BusProgram& program, RowRange rows = {0, kRows, kRows, 1}) {
  RunRequest request;
  request.program = &program;
  request.pass = PassIndex(1);
  request.rows = rows;
  request.page_timeout = 300ms;
  return request;
}

struct Seen {
  Result<RunStats> result = RunStats{};
  LinkStats link;
  std::vector<LinkNote> notes;
  CollectPages sink;
  std::size_t severe() const {
    return static_cast<std::size_t>(
        std::count_if(notes.begin(), notes.end(), [](const LinkNote& n) { return n.severe; }));
  }
};

// Reads the rows with a fault that lies in wait since the rail is on.
void read_with(std::function<void(simbench::OutgoingFrame&)> fault, Seen& seen,
               RowRange rows = {0, kRows, kRows, 1}) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    board.on_note([&](const LinkNote& note) { seen.notes.push_back(note); });
    auto lease = co_await power(board);
    if (!lease) co_return;
    session.board().faults().on_frame(fault);
    const auto program = read_page_program();
    seen.result = co_await board.run(read_rows(program, rows), seen.sink);
    session.board().faults().on_frame({});
    seen.link = board.stats();
    // Whatever happened, the next command works.
    const auto state = co_await board.state();
    EXPECT_TRUE(state);
    const auto down = co_await lease->power_down();
    EXPECT_TRUE(down);
  });
  for (const auto& violation : session.board().violations()) ADD_FAILURE() << violation.text;
}

TEST(Faults, None_AllPagesInOrderOverGroupsWithAStride) {
  Seen seen;
  read_with({}, seen, {.first = 16, .rows = 8, .stride = 32, .groups = 3});
  ASSERT_TRUE(seen.result) << seen.result.error().text();
  EXPECT_EQ(seen.result->pages, 24u);
  EXPECT_EQ(seen.result->read_again, 0u);
  EXPECT_GT(seen.result->busy, Nanoseconds(0));
  ASSERT_EQ(seen.sink.order.size(), 24u);
  for (std::uint32_t i = 0; i < 24; ++i) {
    EXPECT_EQ(seen.sink.order[i], i);
    EXPECT_EQ(seen.sink.pages[i].bytes, page_of_chip(16 + i / 8 * 32 + i % 8));
  }
}

TEST(Faults, F07_CorruptFrameIsReReadNeverDelivered) {
  Seen seen;
  read_with(simbench::flip_bit(SCP_PAGE_DATA, 5, 8 * 100), seen);
  ASSERT_TRUE(seen.result) << seen.result.error().text();
  expect_pages(seen.sink, 0, kRows);
  EXPECT_EQ(seen.result->read_again, 1u);
  EXPECT_EQ(seen.link.bad_frames, 1u);
  EXPECT_EQ(seen.sink.order.back(), 5u);
}

TEST(Faults, F07_PageThatNeverComesWholeIsTransferErrorWithoutBytes) {
  Seen seen;
  std::atomic<int> tries{0};
  read_with(
      [&](simbench::OutgoingFrame& frame) {
        if (frame.header.type != SCP_PAGE_DATA || scp_get_u32(frame.bytes.data() + SCP_HEADER_BYTES + 8) != 9)
          return;
        ++tries;
        frame.bytes[200] ^= 1;
      },
      seen);
  ASSERT_TRUE(seen.result) << seen.result.error().text();
  EXPECT_EQ(tries, 4) << "once and three times again";
  EXPECT_EQ(seen.result->transfer_errors, 1u);
  EXPECT_EQ(seen.result->pages, kRows - 1);
  EXPECT_EQ(seen.sink.pages.size(), kRows);
  EXPECT_EQ(seen.sink.pages[9].outcome, PageOutcome::transfer_error);
  EXPECT_TRUE(seen.sink.pages[9].bytes.empty());
}

TEST(Faults, F07_EveryTenthFrameCorruptStillGivesEveryPage) {
  Seen seen;
  std::atomic<unsigned> frames{0};
  read_with(
      [&](simbench::OutgoingFrame& frame) {
        if (frame.header.type == SCP_PAGE_DATA && ++frames % 10 == 0) frame.bytes[30] ^= 0x10;
      },
      seen);
  ASSERT_TRUE(seen.result) << seen.result.error().text();
  expect_pages(seen.sink, 0, kRows);
}

// The bytes of another page must never pass for this one, with whatever checksum.
TEST(Faults, F08_ForgedRowIsRejectedOnItsAddressAndReRead) {
  Seen seen;
  read_with(simbench::forge_payload(SCP_PAGE_DATA, 5, 8, {9, 0, 0, 0}), seen);
  ASSERT_TRUE(seen.result) << seen.result.error().text();
  expect_pages(seen.sink, 0, kRows);
  EXPECT_EQ(seen.link.wrong_addresses, 1u);
  EXPECT_EQ(seen.severe(), 1u);
  EXPECT_EQ(seen.result->read_again, 1u);
}

TEST(Faults, F08_ForgedTargetPassAndLengthAreRejected) {
  const std::vector<std::pair<std::size_t, Bytes>> forgeries{{0, {1}}, {4, {2, 0, 0, 0}}, {16, {0x3F, 8, 0, 0}}};
  for (const auto& [offset, value] : forgeries) {
    Seen seen;
    read_with(simbench::forge_payload(SCP_PAGE_DATA, 3, offset, value), seen);
    ASSERT_TRUE(seen.result) << seen.result.error().text();
    expect_pages(seen.sink, 0, kRows);
    EXPECT_EQ(seen.link.wrong_addresses, 1u) << offset;
  }
}

TEST(Faults, F08_ForgedSequenceIsRejected) {
  for (const std::uint32_t forged : {4000u, 7u, 0xFFFF'0000u}) {
    Seen seen;
    std::atomic<unsigned> frames{0};
    read_with(
        [&](simbench::OutgoingFrame& frame) {
          if (frame.header.type != SCP_PAGE_DATA || frames++ != 3) return;
          scp_header header = frame.header;
          header.sequence = forged;
          scp_put_header(frame.bytes.data(), &header);
        },
        seen);
    ASSERT_TRUE(seen.result) << seen.result.error().text();
    expect_pages(seen.sink, 0, kRows);
    EXPECT_EQ(seen.link.wrong_addresses + seen.link.duplicates, 1u) << forged;
  }
}

TEST(Faults, F09_DuplicateFrameIsIgnoredAndCounted) {
  Seen seen;
  read_with(simbench::repeat_frame(SCP_PAGE_DATA, 4), seen);
  ASSERT_TRUE(seen.result) << seen.result.error().text();
  expect_pages(seen.sink, 0, kRows);
  EXPECT_EQ(seen.link.duplicates, 1u);
  EXPECT_EQ(seen.result->read_again, 0u);
}

TEST(Faults, F10_MissingFrameIsFoundBySequenceAndReRead) {
  for (const std::uint32_t nth : {0u, 31u, kRows - 1}) {  // the last one shows only at the end of the run
    Seen seen;
    read_with(simbench::drop_frame(SCP_PAGE_DATA, nth), seen);
    ASSERT_TRUE(seen.result) << seen.result.error().text();
    expect_pages(seen.sink, 0, kRows);
    EXPECT_EQ(seen.link.gaps, 1u) << nth;
    EXPECT_EQ(seen.result->read_again, 1u) << nth;
    EXPECT_EQ(seen.link.resyncs, 0u) << nth;
  }
}

TEST(Faults, F10_ReorderedFramesEndAsTheRightPages) {
  Seen seen;
  read_with(simbench::swap_frames(SCP_PAGE_DATA, 20), seen);
  ASSERT_TRUE(seen.result) << seen.result.error().text();
  expect_pages(seen.sink, 0, kRows);
  EXPECT_EQ(seen.link.duplicates, 1u);
  EXPECT_EQ(seen.link.gaps, 1u);
}

TEST(Faults, F10_LostEndOfRunCostsNoPage) {
  Seen seen;
  read_with(simbench::drop_frame(SCP_RUN_END, 0), seen);
  ASSERT_TRUE(seen.result) << seen.result.error().text();
  expect_pages(seen.sink, 0, kRows);
  EXPECT_EQ(seen.link.resyncs, 1u);
  EXPECT_EQ(seen.result->read_again, 0u);
}

TEST(Faults, F10_LostAnswerToARunCostsNothing) {
  Seen seen;
  read_with(simbench::drop_frame(SCP_PROGRAM_RUN | SCP_ANSWER, 0), seen);
  ASSERT_TRUE(seen.result) << seen.result.error().text();
  expect_pages(seen.sink, 0, kRows);
  EXPECT_EQ(seen.link.resyncs, 0u);
}

TEST(Faults, F11_SingleByteChunksGiveTheSamePages) {
  SimSession session(numbered_chip());
  session.board().faults().chunk_bytes = 1;
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    auto lease = co_await power(board);
    if (!lease) co_return;
    CollectPages sink;
    const auto program = read_page_program();
    const auto result = co_await board.run(read_rows(program, {0, 8, 8, 1}), sink);
    EXPECT_TRUE(result);
    expect_pages(sink, 0, 8);
    EXPECT_TRUE(co_await lease->power_down());
  });
}

// Random damage of every kind together: each page comes right, or as a transfer error, or the run fails.
TEST(Faults, R23_RandomDamageNeverDeliversAWrongByte) {
  for (unsigned seed = 0; seed < 6; ++seed) {
    Seen seen;
    auto random = std::make_shared<std::mt19937>(seed);
    read_with(
        [random](simbench::OutgoingFrame& frame) {
          if (frame.header.channel != SCP_CHANNEL_PAGE || (*random)() % 8 != 0) return;
          const std::size_t at = (*random)() % frame.bytes.size();
          switch ((*random)() % 4) {
            case 0:
              frame.bytes[at] ^= static_cast<std::uint8_t>(1u << (*random)() % 8);
              break;
            case 1:
              frame.bytes.clear();
              break;
            case 2:
              frame.bytes.resize(at);
              break;
            default:
              frame.bytes.insert(frame.bytes.end(), 100, std::uint8_t{0x53});
              break;
          }
        },
        seen);
    ASSERT_TRUE(seen.result) << seed << ": " << seen.result.error().text();
    ASSERT_EQ(seen.sink.pages.size(), kRows) << seed;
    for (const auto& [index, page] : seen.sink.pages) {
      if (page.outcome == PageOutcome::transfer_error) {
        EXPECT_TRUE(page.bytes.empty());
      } else {
        EXPECT_EQ(page.bytes, page_of_chip(static_cast<std::uint32_t>(index))) << seed << ", page " << index;
      }
    }
  }
}

// ---- A board that does not answer ----

TEST(Faults, F05_DeafBoardIsATimeoutAndTheNextCommandWorksOnceItHearsAgain) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    session.board().faults().deaf = true;
    asio::co_spawn(
        co_await asio::this_coro::executor,
        [&]() -> asio::awaitable<void> {
          co_await sleep(2500ms);  // behind the answer's deadline, within that of the resync
          session.board().faults().deaf = false;
        },
        [](const std::exception_ptr&) {});
    const auto state = co_await board.state();
    EXPECT_FALSE(state);
    if (!state) {
      EXPECT_EQ(state.error().code(), ErrorCode::board_timeout) << state.error().text();
    }
    EXPECT_FALSE(board.lost());
    const auto again = co_await board.state();
    EXPECT_TRUE(again);
  });
}

TEST(Faults, F05_StopAnswersWithin500msThoughTheBoardIsDeaf) {
  SimSession session(numbered_chip());
  std::atomic<bool> stop{false};
  with_board(
      session,
      [&](BoardClient& board) -> asio::awaitable<void> {
        auto lease = co_await power(board);
        if (!lease) co_return;
        session.board().faults().deaf = true;
        // Counted in pauses of 10 ms on the client's own thread: where the machine is slow, both are.
        unsigned pauses_since_stop = 0;
        std::atomic<bool> ended{false};
        asio::co_spawn(
            co_await asio::this_coro::executor,
            [&]() -> asio::awaitable<void> {
              co_await sleep(100ms);
              stop = true;
              for (; !ended; ++pauses_since_stop) co_await sleep(10ms);
            },
            [](const std::exception_ptr&) {});
        CollectPages sink;
        const auto program = read_page_program();
        RunRequest request = read_rows(program);
        request.page_timeout = 10s;
        const auto result = co_await board.run(request, sink);
        ended = true;
        EXPECT_FALSE(result);
        if (!result) {
          EXPECT_EQ(result.error().code(), ErrorCode::interrupted);
        }
        EXPECT_LT(pauses_since_stop, 50u);
        co_await sleep(20ms);  // until the counting has ended
        // The rail cannot be confirmed, and that is said; the board cuts it by itself.
        const auto down = co_await lease->power_down();
        EXPECT_FALSE(down);
        if (!down) {
          EXPECT_NE(down.error().what().find("not confirmed"), std::string::npos) << down.error().text();
        }
      },
      &stop);
  while (session.board().socket_mv() > 0) std::this_thread::sleep_for(10ms);  // the silent host makes the board cut the rail
}

TEST(Faults, F05_DeafBoardInARunIsGivenUpWithATimeout) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    auto lease = co_await power(board);
    if (!lease) co_return;
    CollectPages sink;
    sink.at_page = [&](const PageFrame& page) {
      if (page.index == 3) session.board().faults().mute = true;
      return true;
    };
    const auto program = read_page_program();
    const auto result = co_await board.run(read_rows(program, {0, 16, 0, 1'000'000}), sink);
    EXPECT_FALSE(result);
    if (!result) {
      EXPECT_EQ(result.error().code(), ErrorCode::board_timeout) << result.error().text();
    }
    EXPECT_TRUE(board.lost());
    EXPECT_FALSE(co_await lease->power_down());
  });
}

// F-06 and R-27: the answer that comes too late is recognised by its id and changes nothing.
TEST(Faults, F06_R27_LateAnswerIsDroppedAndTheNextCommandIsRight) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    auto held = std::make_shared<Bytes>();
    std::atomic<bool> holding{true};
    session.board().faults().on_frame([&, held](simbench::OutgoingFrame& frame) {
      if (holding && frame.header.type == (SCP_BOARD_STATE | SCP_ANSWER)) {
        *held = frame.bytes;
        frame.bytes.clear();
        holding = false;
      } else if (frame.header.type == (SCP_BUS_SETUP | SCP_ANSWER) && !held->empty()) {
        frame.bytes.insert(frame.bytes.begin(), held->begin(), held->end());
        held->clear();
      }
    });
    const auto late = co_await board.state();
    EXPECT_FALSE(late);
    if (!late) {
      EXPECT_EQ(late.error().code(), ErrorCode::board_timeout);
    }
    const auto setup = co_await board.bus_setup({});
    EXPECT_TRUE(setup) << setup.error().text();
    EXPECT_TRUE(held->empty());
    EXPECT_EQ(board.stats().late_answers, 1u);
    const auto state = co_await board.state();
    EXPECT_TRUE(state);
    session.board().faults().on_frame({});
  });
}

TEST(Faults, R27_AfterATimeoutInARunTheQueuedPagesAreDrained) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    auto lease = co_await power(board);
    if (!lease) co_return;
    CollectPages sink;
    session.board().faults().delay_ms = 600;  // longer than the page time-out: all of it comes late
    const auto program = read_page_program();
    const auto late = co_await board.run(read_rows(program), sink);
    EXPECT_FALSE(late && sink.pages.size() != kRows);
    session.board().faults().delay_ms = 0;
    co_await sleep(700ms);
    CollectPages second;
    const auto result = co_await board.run(read_rows(program), second);
    EXPECT_TRUE(result) << result.error().text();
    expect_pages(second, 0, kRows);
    EXPECT_TRUE(co_await lease->power_down());
  });
}

TEST(Faults, F12_HugeLengthInAHeaderIsDamageAndTheStreamGoesOn) {
  for (const std::uint32_t length : {0u, 0x8000'0000u, 0xFFFF'FFFFu}) {
    Seen seen;
    std::atomic<unsigned> frames{0};
    read_with(
        [&](simbench::OutgoingFrame& frame) {
          if (frame.header.type != SCP_PAGE_DATA || frames++ != 5) return;
          scp_header header = frame.header;
          header.length = length;
          scp_put_header(frame.bytes.data(), &header);
        },
        seen);
    ASSERT_TRUE(seen.result) << seen.result.error().text();
    expect_pages(seen.sink, 0, kRows);
    EXPECT_GE(seen.link.bad_frames + seen.link.gaps, 1u) << length;
  }
}

TEST(Faults, F14_EndlessGarbageMarksTheBoardFaultyInBoundedTime) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    session.board().faults().garbage = true;
    const auto state = co_await board.state();
    EXPECT_FALSE(state);
    if (!state) {
      EXPECT_EQ(state.error().code(), ErrorCode::board_garbage) << state.error().text();
    }
    EXPECT_TRUE(board.lost());
    EXPECT_FALSE(co_await board.state());
  });
}

TEST(Faults, F14_GarbageInsteadOfAGreetingIsNamedAsSuch) {
  SimSession session(numbered_chip());
  session.board().faults().garbage = true;
  run([&]() -> asio::awaitable<void> {
    const auto executor = co_await asio::this_coro::executor;
    const auto client =
        co_await BoardClient::connect(link::adopt_socket(executor, session.take_host_fd(), "x"), nullptr);
    EXPECT_FALSE(client);
    if (!client) {
      EXPECT_EQ(client.error().code(), ErrorCode::board_garbage) << client.error().text();
    }
  });
}

TEST(Faults, F15_StuckBusyIsRecordedPerPageAndTheRunGoesOn) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    auto lease = co_await power(board);
    if (!lease) co_return;
    session.board().faults().ready_pin = simbench::Faults::ReadyPin::stuck_busy;
    CollectPages sink;
    const auto program = read_page_program();
    const auto result = co_await board.run(read_rows(program, {0, 4, 4, 1}), sink);
    EXPECT_TRUE(result) << result.error().text();
    if (result) {
      EXPECT_EQ(result->ready_timeouts, 4u);
      EXPECT_EQ(result->transfer_errors, 0u);
      EXPECT_GE(result->longest_busy, Nanoseconds(5'000'000));
    }
    for (const auto& [index, page] : sink.pages) EXPECT_EQ(page.outcome, PageOutcome::ready_timeout) << index;
    EXPECT_EQ(sink.pages.size(), 4u);
    const auto once = co_await board.run_once(program, 0);
    EXPECT_FALSE(once);
    if (!once) {
      EXPECT_EQ(once.error().code(), ErrorCode::chip_busy);
    }
    EXPECT_TRUE(co_await lease->power_down());
  });
}

TEST(Faults, F15_StuckReadyIsFlaggedAsBusyNotSeen) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    auto lease = co_await power(board);
    if (!lease) co_return;
    session.board().faults().ready_pin = simbench::Faults::ReadyPin::stuck_ready;
    CollectPages sink;
    const auto program = read_page_program();
    const auto result = co_await board.run(read_rows(program, {0, 4, 4, 1}), sink);
    EXPECT_TRUE(result) << result.error().text();
    EXPECT_EQ(sink.pages.size(), 4u);
    for (const auto& [index, page] : sink.pages) EXPECT_FALSE(page.busy_seen) << index;
    EXPECT_TRUE(co_await lease->power_down());
  });
}

// ---- Restart, loss ----

TEST(Faults, F13_RestartInARunIsNamedAndTheNextSessionWorks) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    auto lease = co_await power(board);
    if (!lease) co_return;
    const std::uint32_t boots = board.info().boot_counter;
    CollectPages sink;
    sink.at_page = [&](const PageFrame& page) {
      if (page.index == 3) session.board().faults().reboot = true;
      return true;
    };
    const auto program = read_page_program();
    RunRequest request = read_rows(program, {0, 16, 0, 100'000});
    request.page_timeout = 3s;
    const auto result = co_await board.run(request, sink);
    EXPECT_FALSE(result);
    if (!result) {
      EXPECT_EQ(result.error().code(), ErrorCode::link_lost) << result.error().text();
      EXPECT_NE(result.error().what().find("restarted"), std::string::npos) << result.error().text();
    }
    EXPECT_EQ(board.info().boot_counter, boots + 1);
    EXPECT_EQ(board.stats().restarts, 1u);
    EXPECT_FALSE(board.lost());
    EXPECT_TRUE(co_await lease->power_down());
    auto second = co_await power(board);
    if (!second) co_return;
    CollectPages again;
    EXPECT_TRUE(co_await board.run(read_rows(program), again));
    expect_pages(again, 0, kRows);
    EXPECT_TRUE(co_await second->power_down());
  });
}

TEST(Faults, F01_BoardGoneInARunIsLinkLostAndEverythingAfterItFailsAtOnce) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    auto lease = co_await power(board);
    if (!lease) co_return;
    CollectPages sink;
    sink.at_page = [&](const PageFrame& page) {
      if (page.index == 3) session.board().faults().close_link = true;
      return true;
    };
    const auto program = read_page_program();
    const auto result = co_await board.run(read_rows(program, {0, 16, 0, 100'000}), sink);
    EXPECT_FALSE(result);
    if (!result) {
      EXPECT_EQ(result.error().code(), ErrorCode::link_lost);
    }
    const auto resyncs = board.stats().resyncs;
    EXPECT_FALSE(co_await board.state());
    EXPECT_FALSE(co_await lease->power_down());
    EXPECT_EQ(board.stats().resyncs, resyncs) << "nothing is tried on a board that is gone";
  });
}

}  // namespace
}  // namespace steadycell::board
