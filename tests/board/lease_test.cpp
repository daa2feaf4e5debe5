#include "board/lease.h"

#include <thread>

#include "board/bench.h"
#include "protocol/frame.h"

namespace steadycell::board {
namespace {

using namespace testing;
using simbench::SimSession;

// Switching the socket on under a fault fails with the code, and leaves the rail off.
void expect_socket_fails(const std::function<void(simbench::Faults&)>& fault, ErrorCode code,
                         Millivolts rail = Millivolts(1800), SocketGround ground = SocketGround::probe(),
                         simbench::Fixture fixture = numbered_chip()) {
  SimSession session(std::move(fixture));
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    if (fault) fault(session.board().faults());
    const auto lease = co_await PowerLease::socket(board, rail, 100, ground);
    EXPECT_FALSE(lease);
    if (!lease) {
      EXPECT_EQ(lease.error().code(), code) << lease.error().text();
    }
    EXPECT_FALSE(board.lost());
    EXPECT_TRUE(co_await board.state());
  });
  EXPECT_LE(session.board().socket_mv(), 400u);
}

TEST(PowerLease, CurrentLimitIsE302) {
  expect_socket_fails([](simbench::Faults& f) { f.socket_over_current = true; }, ErrorCode::current_limit);
}

TEST(PowerLease, OpenLidIsE305) {
  expect_socket_fails([](simbench::Faults& f) { f.lid_open = true; }, ErrorCode::lid_open);
}

TEST(PowerLease, RailThatDoesNotRiseIsE303) {
  simbench::Fixture weak = numbered_chip();
  weak.board.rail_mv = 1500;
  expect_socket_fails({}, ErrorCode::rail_failed, Millivolts(1800), SocketGround::probe(), std::move(weak));
}

TEST(PowerLease, RailThatDoesNotBleedIsE304) {
  expect_socket_fails([](simbench::Faults& f) { f.bleed_stuck = true; }, ErrorCode::bleed_failed);
}

TEST(PowerLease, FullVoltageWithoutGroundsIsE306) {
  expect_socket_fails({}, ErrorCode::needs_consent, Millivolts(3300), SocketGround::probe());
  expect_socket_fails({}, ErrorCode::needs_consent, Millivolts(3300), SocketGround::chip_answer({0xEC, 0xDC}));
}

TEST(PowerLease, ChipsOwnAnswerAtLowVoltageAllowsTheFullOne) {
  simbench::Fixture fixture = numbered_chip();
  fixture.chip->supply_mv = 1800;
  SimSession session(std::move(fixture));
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    auto low = co_await PowerLease::socket(board, Millivolts(1800), 100, SocketGround::probe());
    EXPECT_TRUE(low);
    if (!low) co_return;
    EXPECT_TRUE(co_await board.run_once(reset_program(), 0));
    const auto id = co_await board.run_once(read_id_program(), 0);
    EXPECT_TRUE(id);
    if (!id) co_return;
    EXPECT_TRUE(co_await board.trust_socket(*id));
    Bytes other_id{1, 2, 3};
    EXPECT_FALSE(co_await board.trust_socket(other_id));
    EXPECT_TRUE(co_await low->power_down());
    auto high = co_await PowerLease::socket(board, Millivolts(3300), 100, SocketGround::chip_answer(*id));
    EXPECT_TRUE(high);
    if (high) {
      EXPECT_TRUE(co_await high->power_down());
    }
  });
}

TEST(PowerLease, PowerDownThatDoesNotBleedSaysSo) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    auto lease = co_await power(board);
    if (!lease) co_return;
    session.board().faults().bleed_stuck = true;
    const auto down = co_await lease->power_down();
    EXPECT_FALSE(down);
    if (!down) {
      EXPECT_EQ(down.error().code(), ErrorCode::bleed_failed);
    }
    EXPECT_TRUE(co_await lease->power_down()) << "the second call does nothing";
  });
}

TEST(PowerLease, LidOpenedInARunEndsItAsSuch) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    auto lease = co_await power(board);
    if (!lease) co_return;
    std::vector<std::uint16_t> events;
    board.on_event([&](const BoardEvent& event) { events.push_back(event.kind); });
    CollectPages sink;
    sink.at_page = [&](const PageFrame& page) {
      if (page.index == 2) session.board().faults().lid_open = true;
      return true;
    };
    const auto program = read_page_program();
    RunRequest request;
    request.program = &program;
    request.rows = {0, 256, 0, 1'000'000};
    const auto result = co_await board.run(request, sink);
    EXPECT_FALSE(result);
    if (!result) {
      EXPECT_EQ(result.error().code(), ErrorCode::lid_open) << result.error().text();
    }
    EXPECT_FALSE(events.empty());
    EXPECT_TRUE(co_await lease->power_down());
    EXPECT_EQ(session.board().socket_mv(), 0u);
  });
}

// A computer that sleeps in a run says nothing for longer than the board's patience; the sink stands in for the sleep.
TEST(PowerLease, F19_AHostThatSleptInARunFindsTheRailOffAndCanGoOn) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    auto lease = co_await power(board);
    if (!lease) co_return;
    const auto program = read_page_program();
    RunRequest request;
    request.program = &program;
    request.pass = PassIndex(1);
    request.rows = {0, 16, 0, 100'000};
    CollectPages sink;
    sink.at_page = [&](const PageFrame& page) {
      if (page.index != 3) return true;
      for (int i = 0; i < 1000 && session.board().socket_mv() > 1000; ++i) std::this_thread::sleep_for(10ms);
      return true;
    };
    const auto ran = co_await board.run(request, sink);
    EXPECT_FALSE(ran);
    if (!ran) {
      EXPECT_EQ(ran.error().code(), ErrorCode::link_lost) << ran.error().text();  // as an unplugged board
      EXPECT_NE(ran.error().text().find("heard nothing for 500 ms"), std::string::npos) << ran.error().text();
    }
    for (const auto& [index, page] : sink.pages)
      if (page.outcome == PageOutcome::read) {
        EXPECT_EQ(page.bytes, page_of_chip(static_cast<std::uint32_t>(index % 16))) << index;
      }
    EXPECT_TRUE(co_await lease->power_down());
    auto second = co_await power(board);
    if (!second) co_return;
    request.rows = {0, 16, 16, 1};
    CollectPages again;
    EXPECT_TRUE(co_await board.run(request, again));
    expect_pages(again, 0, 16);
    EXPECT_TRUE(co_await second->power_down());
  });
}

TEST(PowerLease, AnswerLostOnTheWayStillLeavesTheRailOff) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    session.board().faults().on_frame(simbench::drop_frame(SCP_SOCKET_ON | SCP_ANSWER, 0));
    const auto lease = co_await PowerLease::socket(board, Millivolts(1800), 100, SocketGround::probe());
    EXPECT_FALSE(lease);
    if (!lease) {
      EXPECT_EQ(lease.error().code(), ErrorCode::board_timeout);
    }
    EXPECT_EQ(session.board().socket_mv(), 0u);
  });
}

TEST(PowerLease, AnswerToSwitchingOffLostIsAskedForAgain) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    auto lease = co_await power(board);
    if (!lease) co_return;
    session.board().faults().on_frame(simbench::drop_frame(SCP_SOCKET_OFF | SCP_ANSWER, 0));
    EXPECT_TRUE(co_await lease->power_down());
    EXPECT_EQ(session.board().socket_mv(), 0u);
  });
}

// A lease may be dropped by an exception; the next job must not meet a live rail.
TEST(PowerLease, DroppedLeaseSwitchesOffWithoutWaiting) {
  SimSession session(numbered_chip());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    {
      const auto lease = co_await power(board);
      if (!lease) co_return;
    }
    co_await sleep(100ms);
    EXPECT_EQ(session.board().socket_mv(), 0u);
    auto next = co_await power(board);
    if (next) {
      EXPECT_TRUE(co_await next->power_down());
    }
  });
}

TEST(PowerLease, RailLeftOnByAnEarlierSessionIsSwitchedOffFirst) {
  SimSession session(numbered_chip());
  run([&]() -> asio::awaitable<void> {  // a host that does no more than switch on
    const auto executor = co_await asio::this_coro::executor;
    auto link = link::adopt_socket(executor, session.take_host_fd(), "raw");
    Bytes bytes;
    protocol::append_request(SCP_HELLO, 0, 1, protocol::encode(protocol::Hello{}), bytes);
    protocol::SocketOn on;
    on.rail = Millivolts(1800);
    on.limit_mA = 100;
    protocol::append_request(SCP_SOCKET_ON, 1, 2, protocol::encode(on), bytes);
    EXPECT_TRUE(co_await link->write(bytes));
    while (session.board().socket_mv() < 1700) co_await sleep(1ms);
    link->close();
  });
  session.reconnect();
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    auto lease = co_await PowerLease::socket(board, Millivolts(1800), 100, SocketGround::probe());
    EXPECT_TRUE(lease) << lease.error().text();
    if (lease) {
      EXPECT_TRUE(co_await lease->power_down());
    }
  });
}

TEST(PowerLease, PortTripsAndIsOffAfterwards) {
  SimSession session(patient_only());
  with_board(session, [&](BoardClient& board) -> asio::awaitable<void> {
    session.board().faults().port_over_current = true;
    const auto tripped = co_await PowerLease::port(board, 100, 1, false, false);
    EXPECT_FALSE(tripped);
    if (!tripped) {
      EXPECT_EQ(tripped.error().code(), ErrorCode::current_limit) << tripped.error().text();
    }
    session.board().faults().port_over_current = false;
    auto lease = co_await PowerLease::port(board, 100, 1, false, false);
    EXPECT_TRUE(lease) << lease.error().text();
    if (!lease) co_return;
    EXPECT_NEAR(lease->measured().value, 5000, 100);
    EXPECT_TRUE(co_await lease->power_down());
    EXPECT_EQ(session.board().port_mv(), 0u);
  });
}

}  // namespace
}  // namespace steadycell::board
