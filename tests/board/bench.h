#pragma once
#include <gtest/gtest.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/this_coro.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <functional>
#include <map>

#include "board/client.h"
#include "board/lease.h"
#include "simbench/session.h"

namespace steadycell::board::testing {

using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;

inline constexpr std::uint32_t kRows = 64;  // of a run, where a test does not say otherwise

inline constexpr Geometry kGeometry{.page_bytes = 2048, .spare_bytes = 64, .pages_per_block = 16, .blocks = 16};

// A large-page chip: no two pages and no two columns alike.
inline simbench::Fixture numbered_chip() {
  simbench::Fixture fixture;
  fixture.seed = 7;
  fixture.chip.emplace();
  simbench::TargetFixture target;
  target.id_bytes = {0xEC, 0xDC, 0x10, 0x95, 0x54};
  target.geometry = kGeometry;
  Bytes content(std::size_t{kGeometry.raw_page_bytes()} * kGeometry.pages_per_block * kGeometry.blocks);
  for (std::size_t i = 0; i < content.size(); ++i)
    content[i] = static_cast<std::uint8_t>(31 * (i / kGeometry.raw_page_bytes()) + i % kGeometry.raw_page_bytes());
  target.content = simbench::Content::of(std::move(content));
  fixture.chip->targets.push_back(target);
  return fixture;
}
inline Bytes page_of_chip(std::uint32_t row) {
  Bytes page(kGeometry.raw_page_bytes());
  for (std::size_t i = 0; i < page.size(); ++i) page[i] = static_cast<std::uint8_t>(31 * row + i);
  return page;
}
inline simbench::Fixture patient_only() {
  simbench::Fixture fixture;
  fixture.board.port_load_ohm = 100;
  return fixture;
}

// Runs a coroutine to its end; its exceptions come out here.
inline void run(std::function<asio::awaitable<void>()> body) {
  asio::io_context context;
  asio::co_spawn(context, body(), [](const std::exception_ptr& fault) {
    if (fault) std::rethrow_exception(fault);
  });
  context.run();
}

inline asio::awaitable<void> sleep(Clock::duration time) {
  asio::steady_timer timer(co_await asio::this_coro::executor, time);
  boost::system::error_code ignored;
  co_await timer.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
}

// Connects to the session's board, runs `body`, closes.
inline void with_board(simbench::SimSession& session,
                       const std::function<asio::awaitable<void>(BoardClient&)>& body,
                       const std::atomic<bool>* stop = nullptr) {
  run([&]() -> asio::awaitable<void> {
    const auto executor = co_await asio::this_coro::executor;
    auto client =
        co_await BoardClient::connect(link::adopt_socket(executor, session.take_host_fd(), "bench"), stop);
    if (!client) {
      ADD_FAILURE() << client.error().text();
      co_return;
    }
    co_await body(**client);
    co_await (*client)->close();
  });
}

inline protocol::BusProgram read_page_program() {
  protocol::BusProgram program;
  program.command(protocol::ReadOpcode::read).address(0).address(0).row();
  program.command(protocol::ReadOpcode::read_confirm)
      .wait_ready(Microseconds(5000))
      .read(kGeometry.raw_page_bytes());
  return program;
}
inline protocol::BusProgram reset_program() {
  protocol::BusProgram program;
  program.command(protocol::ReadOpcode::reset).wait_ready(Microseconds(5000));
  return program;
}
inline protocol::BusProgram read_id_program() {
  protocol::BusProgram program;
  program.command(protocol::ReadOpcode::read_id).address(0).read(5);
  return program;
}

// The chip awake at 3.3 V on the user's word.
inline asio::awaitable<std::optional<PowerLease>> power(BoardClient& board) {
  auto lease = co_await PowerLease::socket(board, Millivolts(3300), 100, SocketGround::user_word());
  EXPECT_TRUE(lease) << (lease ? "" : lease.error().text());
  if (!lease) co_return std::nullopt;
  const auto reset = co_await board.run_once(reset_program(), 0);
  EXPECT_TRUE(reset) << (reset ? "" : reset.error().text());
  co_return std::move(*lease);
}

class CollectPages final : public PageSink {
 public:
  struct Page {
    PageOutcome outcome;
    bool busy_seen;
    Bytes bytes;
  };
  bool on_page(const PageFrame& page) override {
    EXPECT_FALSE(pages.contains(page.index)) << "page " << page.index << " came twice";
    order.push_back(page.index);
    pages[page.index] = {page.outcome, page.busy_seen, Bytes(page.bytes.begin(), page.bytes.end())};
    return !at_page || at_page(page);
  }
  bool has_room() override { return !room || room(); }

  std::function<bool(const PageFrame&)> at_page;
  std::function<bool()> room;
  std::map<std::uint64_t, Page> pages;
  std::vector<std::uint64_t> order;
};

// All pages of rows first... came whole and right.
inline void expect_pages(const CollectPages& sink, std::uint32_t first, std::uint64_t count) {
  ASSERT_EQ(sink.pages.size(), count);
  for (const auto& [index, page] : sink.pages) {
    EXPECT_EQ(page.outcome, PageOutcome::read) << index;
    ASSERT_TRUE(page.bytes == page_of_chip(first + static_cast<std::uint32_t>(index))) << index;
  }
}

}  // namespace steadycell::board::testing
