// What the client makes of a link that has to be brought back to life, with the bytes of a simulated board.
#include <algorithm>
#include <utility>

#include "board/bench.h"

namespace steadycell::board {
namespace {

using namespace testing;
using simbench::SimSession;

constexpr std::uint32_t kRows = 64;

// Swallows what the board sends from a moment on, until it was recovered by the rung that helps.
class LinkThatSticks final : public link::Link {
 public:
  LinkThatSticks(std::unique_ptr<link::Link> inner, link::Rung helps, std::vector<link::Rung>& taken)
      : inner_(std::move(inner)), helps_(helps), taken_(taken) {}

  void stick() { stuck_ = true; }
  // As USB does by itself after a stall: what was under way is gone, the rest comes.
  void stall() { lost_ = 3000; }

  asio::awaitable<Result<std::size_t>> read_some(MutableByteSpan into) override {
    while (true) {
      // In small pieces: the rest of the run must not have arrived when the sink sees a page.
      const auto got = co_await inner_->read_some(into.first(std::min<std::size_t>(into.size(), 4096)));
      if (!got) co_return failure(got.error());
      if (stuck_) continue;
      const std::size_t gone = std::min(*got, std::exchange(lost_, lost_ - std::min(*got, lost_)));
      if (gone == 0) co_return *got;
      if (lost_ == 0 && news_) news_({link::LinkNews::Kind::recovery, "the board stalls the endpoint: halts cleared"});
      std::copy(into.begin() + static_cast<std::ptrdiff_t>(gone), into.begin() + static_cast<std::ptrdiff_t>(*got), into.begin());
      if (gone < *got) co_return *got - gone;
    }
  }
  asio::awaitable<Result<void>> write(ByteSpan bytes) override { return inner_->write(bytes); }
  void close() override { inner_->close(); }
  std::string describe() const override { return inner_->describe(); }
  void on_news(const NewsSink& sink) override { news_ = sink; }
  bool recover(link::Rung at_least, const std::string& why) override {
    taken_.push_back(at_least);
    if (at_least == helps_) stuck_ = false;
    news_({link::LinkNews::Kind::recovery, why});
    return true;
  }

 private:
  std::unique_ptr<link::Link> inner_;
  link::Rung helps_;
  std::vector<link::Rung>& taken_;
  NewsSink news_;
  std::size_t lost_ = 0;
  bool stuck_ = false;
};

struct Seen {
  std::vector<link::Rung> rungs;
  LinkStats stats;
  std::size_t recoveries_noted = 0;
};

// Reads the rows; at the page of index 20 `happen` is done to the link. Every page comes whole and right.
Seen read_while(const std::function<void(LinkThatSticks&)>& happen, link::Rung helps) {
  SimSession session(numbered_chip());
  Seen seen;
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
  const Seen seen = read_while([](LinkThatSticks& link) { link.stall(); }, link::Rung::clear_halts);
  EXPECT_TRUE(seen.rungs.empty()) << "the link did it by itself";
  EXPECT_EQ(seen.stats.recoveries, 1u);
  EXPECT_EQ(seen.recoveries_noted, 1u);
  EXPECT_GE(seen.stats.gaps, 1u);
}

TEST(Ladder, F04_ALinkThatSticksInARunIsTakenUpRungByRungAndTheRunGoesOn) {
  const Seen seen = read_while([](LinkThatSticks& link) { link.stick(); }, link::Rung::claim_again);
  EXPECT_EQ(seen.rungs, (std::vector{link::Rung::clear_halts, link::Rung::claim_again}));
  EXPECT_EQ(seen.stats.recoveries, 2u);
  EXPECT_EQ(seen.recoveries_noted, 2u);
  EXPECT_EQ(seen.stats.resyncs, 1u);
}

}  // namespace
}  // namespace steadycell::board
