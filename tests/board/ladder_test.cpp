// What the client makes of a link that has to be brought back to life, with the bytes of a simulated board.
#include "board/bench.h"
#include "board/link_that_sticks.h"

namespace steadycell::board {
namespace {

using namespace testing;
using simbench::SimSession;

struct SeenOnRungs {
  std::vector<link::Rung> rungs;
  LinkStats stats;
  std::size_t recoveries_noted = 0;
};

// Reads the rows; at the page of index 20 `happen` is done to the link. Every page comes whole and right.
SeenOnRungs read_while(const std::function<void(LinkThatSticks&)>& happen, link::Rung helps) {
  SimSession session(numbered_chip());
  SeenOnRungs seen;
  run([&]() -> asio::awaitable<void> {
    auto socket = link::adopt_socket(co_await asio::this_coro::executor, session.take_host_fd(), "bench");
    auto made = std::make_unique<LinkThatSticks>(std::move(socket), helps, seen.rungs);
    LinkThatSticks& sticks = *made;
    auto client = co_await BoardClient::connect(std::move(made), nullptr);
    EXPECT_TRUE(client) << client.error().text();
    if (!client) co_return;
    BoardClient& board = **client;
    board.on_note([&](const LinkNote& note) { seen.recoveries_noted += note.kind == LinkNote::Kind::recovery ? 1 : 0; });
    auto lease = co_await power(board);
    if (lease) {
      const auto program = read_page_program();
      RunRequest request;
      request.program = &program;
      request.pass = PassIndex(1);
      request.rows = {0, kRows, kRows, 1};
      request.page_timeout = 300ms;
      CollectPages sink;
      sink.at_page = [&](const PageFrame& page) {
        if (page.index == 20 && sink.pages.size() == 21) happen(sticks);
        return true;
      };
      const auto ran = co_await board.run(request, sink);
      EXPECT_TRUE(ran) << ran.error().text();
      expect_pages(sink, 0, kRows);
      EXPECT_TRUE(co_await lease->power_down());
    }
    seen.stats = board.stats();
    co_await board.close();
  });
  for (const auto& violation : session.board().violations()) ADD_FAILURE() << violation.text;
  return seen;
}

TEST(Ladder, F04_PagesThatAStallCutAreReadAgainAndNoByteOfABrokenFrameIsUsed) {
  const SeenOnRungs seen = read_while([](LinkThatSticks& link) { link.stall(); }, link::Rung::clear_halts);
  EXPECT_TRUE(seen.rungs.empty()) << "the link did it by itself";
  EXPECT_EQ(seen.stats.recoveries, 1u);
  EXPECT_EQ(seen.recoveries_noted, 1u);
  EXPECT_GE(seen.stats.gaps, 1u);
}

TEST(Ladder, F04_ALinkThatSticksInARunIsTakenUpRungByRungAndTheRunGoesOn) {
  const SeenOnRungs seen = read_while([](LinkThatSticks& link) { link.stick(); }, link::Rung::claim_again);
  EXPECT_EQ(seen.rungs, (std::vector{link::Rung::clear_halts, link::Rung::claim_again}));
  EXPECT_EQ(seen.stats.recoveries, 2u);
  EXPECT_EQ(seen.recoveries_noted, 2u);
  EXPECT_EQ(seen.stats.resyncs, 1u);
}

}  // namespace
}  // namespace steadycell::board
