#include "board/client.h"

#include <sys/socket.h>
#include <unistd.h>

#include <array>

#include "board/bench.h"
#include "protocol/frame.h"

namespace steadycell::board {
namespace {

using namespace testing;
using simbench::SimSession;

TEST(BoardClient, ReadsIdentityStateAndId) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    EXPECT_EQ(board.info().uuid.size(), 36u);
    EXPECT_EQ(board.info().boot_counter, session.board().boot_counter());
    EXPECT_TRUE(board.info().can_socket);
    const auto off = co_await board.state();
    EXPECT_TRUE(off && off->socket_on == 0 && off->wp_high == 0);
    auto lease = co_await power(board);
    if (!lease) co_return;
    EXPECT_NEAR(lease->measured().value, 3300, 170);
    const auto on = co_await board.state();
    EXPECT_TRUE(on && on->socket_on == 1 && on->consents == 1);
    const auto id = co_await board.run_once(read_id_program(), 0);
    EXPECT_TRUE(id);
    if (id) {
      EXPECT_EQ(hex_spaced(*id), "EC DC 10 95 54");
    }
    EXPECT_TRUE(co_await lease->power_down());
  });
  EXPECT_EQ(session.board().socket_mv(), 0u);
}

TEST(BoardClient, HeartbeatKeepsTheRailWhileNothingElseIsSaid) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    auto lease = co_await power(board);
    if (!lease) co_return;
    co_await sleep(1200ms);
    EXPECT_GT(session.board().socket_mv(), 3000u);
    EXPECT_TRUE(co_await lease->power_down());
  });
}

// Two calls at once must not keep waking each other.
TEST(BoardClient, AnswersStateWhileARunIsUnderWay) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    auto lease = co_await power(board);
    if (!lease) co_return;
    int answers = 0;
    bool running = true;
    asio::co_spawn(
        co_await asio::this_coro::executor,
        [&]() -> asio::awaitable<void> {
          while (running) {
            const auto state = co_await board.state();
            answers += state.has_value() ? 1 : 0;
          }
          running = true;
        },
        [](const std::exception_ptr&) {});
    CollectPages sink;
    const auto program = read_page_program();
    RunRequest request;
    request.program = &program;
    request.rows = {0, 16, 16, 16};
    EXPECT_TRUE(co_await board.run(request, sink));
    expect_pages(sink, 0, 256);
    running = false;
    while (!running) co_await sleep(1ms);
    EXPECT_GT(answers, 0);
    EXPECT_TRUE(co_await lease->power_down());
  });
}

// R-24 and back-pressure: a slow sink makes the board wait, and nothing is lost or taken for silence.
TEST(BoardClient, SinkWithoutRoomHoldsTheBoardBack) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    auto lease = co_await power(board);
    if (!lease) co_return;
    CollectPages sink;
    std::uint64_t room_left = 10;
    auto next_room = Clock::now();
    sink.room = [&] {
      if (room_left == 0 && Clock::now() >= next_room) room_left = 64;
      return room_left > 0;
    };
    sink.at_page = [&](const PageFrame&) {
      EXPECT_GT(room_left, 0u);
      if (--room_left == 0) next_room = Clock::now() + 250ms;
      return true;
    };
    const auto program = read_page_program();
    RunRequest request;
    request.program = &program;
    request.rows = {0, 256, 256, 1};
    request.page_timeout = 100ms;
    const auto result = co_await board.run(request, sink);
    EXPECT_TRUE(result) << result.error().text();
    expect_pages(sink, 0, 256);
    EXPECT_EQ(board.stats().resyncs, 0u);
    EXPECT_TRUE(co_await lease->power_down());
  });
}

TEST(BoardClient, SinkMayEndARunAndTheNextOneIsWhole) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    auto lease = co_await power(board);
    if (!lease) co_return;
    CollectPages first, second;
    first.at_page = [](const PageFrame& page) { return page.index < 5; };
    const auto program = read_page_program();
    RunRequest request;
    request.program = &program;
    request.rows = {0, 256, 0, 10'000};
    const auto ended = co_await board.run(request, first);
    EXPECT_FALSE(ended);
    if (!ended) {
      EXPECT_EQ(ended.error().code(), ErrorCode::interrupted);
    }
    EXPECT_EQ(first.pages.size(), 6u) << "nothing is delivered behind a refusal";
    request.rows = {0, 256, 256, 1};
    EXPECT_TRUE(co_await board.run(request, second));
    expect_pages(second, 0, 256);
    EXPECT_TRUE(co_await lease->power_down());
  });
}

TEST(BoardClient, StopEndsARunOnALiveBoardAndSwitchingOffStillWorks) {
  SimSession session(numbered_chip());
  std::atomic<bool> stop{false};
  with_board(
      session,
      [&](BoardClient& board) -> asio::awaitable<void> {
        auto lease = co_await power(board);
        if (!lease) co_return;
        CollectPages sink;
        sink.at_page = [&](const PageFrame& page) {
          if (page.index == 7) stop = true;
          return true;
        };
        const auto program = read_page_program();
        RunRequest request;
        request.program = &program;
        request.rows = {0, 256, 0, 1'000'000};
        sink.room = [&] { return sink.pages.size() < 100; };
        const auto result = co_await board.run(request, sink);
        EXPECT_FALSE(result);
        EXPECT_FALSE(board.lost());
        const auto state = co_await board.state();
        EXPECT_FALSE(state);
        if (!state) {
          EXPECT_EQ(state.error().code(), ErrorCode::interrupted);
        }
        EXPECT_TRUE(co_await lease->power_down());
        EXPECT_EQ(session.board().socket_mv(), 0u);
      },
      &stop);
}

TEST(BoardClient, RefusalsCarryTheBoardsReason) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    CollectPages sink;
    const auto program = read_page_program();
    RunRequest request;
    request.program = &program;
    const auto unpowered = co_await board.run(request, sink);
    EXPECT_FALSE(unpowered);
    if (!unpowered) {
      EXPECT_EQ(unpowered.error().code(), ErrorCode::board_refused);
    }
    protocol::BusProgram nonsense;
    nonsense.read(16);  // nothing asked for data
    request.program = &nonsense;
    const auto refused = co_await board.run(request, sink);
    EXPECT_FALSE(refused);
    if (!refused) {
      EXPECT_NE(refused.error().what().find("operation 0"), std::string::npos) << refused.error().text();
    }
    BusSetup setup;
    setup.timing_mode = 6;
    const auto bad_mode = co_await board.bus_setup(setup);
    EXPECT_FALSE(bad_mode);
    auto lease = co_await power(board);
    if (!lease) co_return;
    session.board().faults().wp_high = true;
    request.program = &program;
    const auto unprotected = co_await board.run(request, sink);
    EXPECT_FALSE(unprotected);
    if (!unprotected) {
      EXPECT_EQ(unprotected.error().code(), ErrorCode::write_protect);
    }
    EXPECT_TRUE(sink.pages.empty());
    EXPECT_TRUE(co_await lease->power_down());
  });
}

TEST(BoardClient, MeasuresContactsWithTheRailsOffOnly) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    const auto all = co_await board.contacts(1, SCP_CONTACT_RAIL);
    EXPECT_TRUE(all);
    if (all) {
      EXPECT_EQ(all->size(), std::size_t{SCP_CONTACT_RAIL});
    }
    auto lease = co_await power(board);
    if (!lease) co_return;
    const auto live = co_await board.contacts(1, 2);
    EXPECT_FALSE(live);
    EXPECT_TRUE(co_await lease->power_down());
  });
}

// ---- Supply stream ----

TEST(BoardClient, F17_R28_SamplesTheBoardDroppedShowAsAGap) {
  SimSession session(patient_only());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    std::uint64_t samples = 0, dropped = 0, expected_ns = 0, jumps = 0;
    const auto started = co_await board.start_supply(
        SCP_RAIL_PORT, Nanoseconds(100'000), Nanoseconds(0), 0ms, [&](const SampleFrame& frame) {
          if (expected_ns != 0 && frame.first_ns != expected_ns) ++jumps;
          expected_ns = frame.first_ns + frame.samples.size() * frame.interval_ns;
          samples += frame.samples.size();
          dropped += frame.dropped_before;
        });
    EXPECT_TRUE(started) << started.error().text();
    co_await sleep(60ms);
    session.board().faults().drop_samples = 25;
    co_await sleep(60ms);
    const auto lost = co_await board.stop_supply();
    EXPECT_EQ(lost, 25u);
    EXPECT_EQ(dropped, 25u);
    EXPECT_EQ(jumps, 1u) << "time shows the gap";
    EXPECT_GT(samples, 500u);
  });
}

TEST(BoardClient, F17_R28_SampleFramesLostOnTheWayAreCountedAndMarked) {
  SimSession session(patient_only());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    std::uint64_t marked = 0, notes = 0;
    board.on_note([&](const LinkNote& note) { notes += note.kind == LinkNote::Kind::gap ? 1 : 0; });
    session.board().faults().on_frame(simbench::drop_frame(SCP_SAMPLES, 3));
    const auto started =
        co_await board.start_supply(SCP_RAIL_PORT, Nanoseconds(100'000), Nanoseconds(0), 0ms,
                                    [&](const SampleFrame& frame) { marked += frame.frames_lost_before ? 1 : 0; });
    EXPECT_TRUE(started);
    co_await sleep(120ms);
    EXPECT_TRUE(co_await board.stop_supply());
    EXPECT_EQ(marked, 1u);
    EXPECT_EQ(notes, 1u);
    EXPECT_EQ(board.stats().gaps, 1u);
  });
}

// ---- Greeting, against a peer by hand ----

// Answers HELLO as `answer` says, then reads until the client goes.
asio::awaitable<void> expect_greeting_fails(Bytes rest, std::uint16_t status, std::uint16_t detail,
                                            ErrorCode code) {
  std::array<int, 2> ends{};
  EXPECT_EQ(::socketpair(AF_UNIX, SOCK_STREAM, 0, ends.data()), 0);
  const auto executor = co_await asio::this_coro::executor;
  auto peer = link::adopt_socket(executor, ends[1], "peer");
  asio::co_spawn(
      executor,
      [&]() -> asio::awaitable<void> {
        Bytes in(256);
        const auto got = co_await peer->read_some(in);
        EXPECT_TRUE(got);
        Bytes payload(4);
        store_u16(payload, status);
        store_u16(MutableByteSpan(payload).subspan(2), detail);
        payload.insert(payload.end(), rest.begin(), rest.end());
        Bytes frame(SCP_HEADER_BYTES + payload.size() + SCP_TRAILER_BYTES);
        const scp_header header{SCP_VERSION,
                                SCP_CHANNEL_COMMAND,
                                SCP_HELLO | SCP_ANSWER,
                                0,
                                load_u32(ByteSpan(in).subspan(12)),
                                static_cast<std::uint32_t>(payload.size())};
        scp_put_header(frame.data(), &header);
        std::copy(payload.begin(), payload.end(), frame.begin() + SCP_HEADER_BYTES);
        scp_put_trailer(frame.data() + SCP_HEADER_BYTES + payload.size(), payload.data(), payload.size());
        (void)co_await peer->write(frame);
      },
      [](const std::exception_ptr&) {});
  const auto client = co_await BoardClient::connect(link::adopt_socket(executor, ends[0], "by hand"), nullptr);
  EXPECT_FALSE(client);
  if (!client) {
    EXPECT_EQ(client.error().code(), code) << client.error().text();
  }
}

TEST(BoardClient, F49_OtherProtocolVersionNamesBoth) {
  run([]() -> asio::awaitable<void> {
    co_await expect_greeting_fails({}, SCP_VERSION_MISMATCH, 0x0305, ErrorCode::protocol_version);
  });
}

TEST(BoardClient, GreetingCutShortIsGarbage) {
  run([]() -> asio::awaitable<void> {
    co_await expect_greeting_fails(Bytes(10), SCP_OK, 0, ErrorCode::board_garbage);
  });
}

TEST(BoardClient, PeerThatHangsUpOnTheGreetingIsLinkLost) {
  run([]() -> asio::awaitable<void> {
    std::array<int, 2> ends{};
    EXPECT_EQ(::socketpair(AF_UNIX, SOCK_STREAM, 0, ends.data()), 0);
    ::close(ends[1]);
    const auto executor = co_await asio::this_coro::executor;
    const auto client = co_await BoardClient::connect(link::adopt_socket(executor, ends[0], "gone"), nullptr);
    EXPECT_FALSE(client);
    if (!client) {
      EXPECT_EQ(client.error().code(), ErrorCode::link_lost);
    }
  });
}

TEST(BoardClient, SecondSessionOnTheSameBoardStartsAnew) {
  SimSession session(numbered_chip());
  for (int i = 0; i < 3; ++i) {
    with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
      auto lease = co_await power(board);
      if (!lease) co_return;
      const auto id = co_await board.run_once(read_id_program(), 0);
      EXPECT_TRUE(id);
      EXPECT_TRUE(co_await lease->power_down());
      EXPECT_EQ(board.stats().gaps + board.stats().duplicates, 0u);
    });
    session.reconnect();
  }
}

}  // namespace
}  // namespace steadycell::board
