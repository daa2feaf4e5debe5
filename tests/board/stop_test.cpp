// Stopping while the board is deaf, in a time that the test moves: no machine is too slow or too fast for it.
#include <algorithm>
#include <boost/asio/post.hpp>
#include <list>
#include <optional>

#include "board/bench.h"
#include "protocol/frame.h"

namespace steadycell::board {
namespace {

using namespace testing;

// Time that stands until everything has been done that can be done; then it jumps to the next deadline.
class VirtualTime final : public TimeSource {
 public:
  Clock::time_point now() const override { return now_; }
  asio::awaitable<void> wait(asio::steady_timer& timer, Clock::time_point until) override {
    const auto entry = waits_.insert(waits_.end(), {until, &timer});
    boost::system::error_code ignored;
    timer.expires_at(Clock::time_point::max());
    co_await timer.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
    waits_.erase(entry);
  }
  // False when nobody waits for anything.
  bool jump() {
    const auto next = std::min_element(waits_.begin(), waits_.end(), [](const Wait& a, const Wait& b) { return a.until < b.until; });
    if (next == waits_.end()) return false;
    now_ = std::max(now_, next->until);
    next->timer->cancel();
    return true;
  }
  // All of `io`'s work, in virtual time.
  void run(asio::io_context& io) {
    do {
      io.restart();
      while (io.poll() > 0) {
      }
    } while (jump());
  }

 private:
  struct Wait {
    Clock::time_point until;
    asio::steady_timer* timer;
  };
  Clock::time_point now_{};
  std::list<Wait> waits_;
};

// A board without a wire, a thread or a clock: says yes to everything at once, until it is deaf.
class BoardInMemory final : public link::Link {
 public:
  BoardInMemory(const asio::any_io_executor& executor, const bool& deaf) : deaf_(deaf), arrived_(executor) {}

  asio::awaitable<Result<std::size_t>> read_some(MutableByteSpan into) override {
    while (answers_.empty() && !closed_) {
      boost::system::error_code ignored;
      arrived_.expires_at(Clock::time_point::max());
      co_await arrived_.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
    }
    if (closed_) co_return failure(ErrorCode::link_lost, "closed");
    const std::size_t size = std::min(into.size(), answers_.size());
    std::copy_n(answers_.begin(), size, into.begin());
    answers_.erase(answers_.begin(), answers_.begin() + static_cast<std::ptrdiff_t>(size));
    co_return size;
  }
  asio::awaitable<Result<void>> write(ByteSpan bytes) override {
    while (const auto frame = requests_.next(bytes))
      if (!deaf_) answer(frame->header);
    co_return Result<void>();
  }
  void close() override {
    closed_ = true;
    arrived_.cancel();
  }
  std::string describe() const override { return "board in memory"; }

  // With a side channel: it hears although the stream is deaf, and the socket bleeds for so many readings.
  void give_side(unsigned bleeding) { readings_left_ = bleeding; }
  bool was_cut() const { return cut_ != 0; }
  // With a ladder whose rungs take this long, all in vain: what hears nothing is the board.
  void give_ladder(const TimeSource& time, Clock::duration each, std::vector<link::Rung>* taken) {
    time_ = &time;
    rung_takes_ = each;
    rungs_ = taken;
  }
  bool recover(link::Rung at_least, const std::string&) override {
    if (time_ == nullptr) return false;
    recovered_at_ = time_->now() + rung_takes_;
    if (rungs_ != nullptr) rungs_->push_back(at_least);
    return true;
  }
  bool recovering() const override { return time_ != nullptr && time_->now() < recovered_at_; }
  void on_news(const NewsSink& sink) override { news_ = sink; }
  void heartbeat_beside() override {
    if (cut_ == 0 || !news_) return;
    link::LinkNews reading{link::LinkNews::Kind::meter, {}, {}};
    reading.meter.rails_off_token = cut_;
    reading.meter.socket_mv = *readings_left_ == 0 ? 20 : 900;
    if (*readings_left_ > 0) --*readings_left_;
    news_(reading);
  }
  std::uint32_t cut_rails_beside() override {
    if (!readings_left_) return 0;
    cut_ = 4711;
    asio::post(arrived_.get_executor(), [this] { heartbeat_beside(); });
    return cut_;
  }

 private:
  void answer(const scp_header& asked) {
    Bytes payload(4);  // SCP_OK, no detail
    if (asked.type == SCP_HELLO) {
      scp_hello hello{};
      hello.version = SCP_VERSION;
      hello.boot_counter = 1;
      hello.max_payload = SCP_MAX_PAYLOAD;
      hello.targets = 1;
      hello.capabilities = SCP_CAN_SOCKET;
      payload.resize(4 + SCP_HELLO_BYTES);
      scp_put_hello(payload.data() + 4, &hello);
      sequence_ = 0;
    }
    if (asked.type == SCP_SOCKET_ON || asked.type == SCP_PORT_ON) payload.insert(payload.end(), {0xE4, 0x0C});  // 3300 mV
    protocol::append_request(static_cast<std::uint16_t>(asked.type | SCP_ANSWER), sequence_++, asked.request_id, payload, answers_);
    arrived_.cancel();
  }

  const bool& deaf_;
  protocol::FrameReader requests_;
  Bytes answers_;
  std::uint32_t sequence_ = 0;
  asio::steady_timer arrived_;
  bool closed_ = false;
  NewsSink news_;
  std::optional<unsigned> readings_left_;
  std::uint32_t cut_ = 0;
  const TimeSource* time_ = nullptr;
  Clock::duration rung_takes_{};
  Clock::time_point recovered_at_{};
  std::vector<link::Rung>* rungs_ = nullptr;
};

using Call = std::function<asio::awaitable<ErrorCode>(BoardClient&)>;

// The board goes deaf, `call` is made, the stop comes `after` its beginning; how long the call took from there, and what it
// said. Nothing: it had ended by itself.
struct Stopped {
  Clock::duration took{};
  ErrorCode code = ErrorCode::internal;
};
std::optional<Stopped> stop_after(Clock::duration after, const Call& call, std::optional<Clock::duration> rung_takes) {
  asio::io_context io(1);
  VirtualTime time;
  bool deaf = false, ended = false;
  std::atomic<bool> stop{false};
  std::optional<Stopped> out;
  Clock::time_point stopped_at{};  // not the body's own: who stops may outlive it
  const auto body = [&]() -> asio::awaitable<void> {
    auto link = std::make_unique<BoardInMemory>(io.get_executor(), deaf);
    if (rung_takes) link->give_ladder(time, *rung_takes, nullptr);
    auto client = co_await BoardClient::connect(std::move(link), &stop, time);
    EXPECT_TRUE(client) << client.error().text();
    if (!client) co_return;
    auto lease = co_await PowerLease::socket(**client, Millivolts(3300), 100, SocketGround::user_word());
    EXPECT_TRUE(lease) << lease.error().text();
    deaf = true;
    asio::co_spawn(
        io,
        [&]() -> asio::awaitable<void> {
          asio::steady_timer timer(io);
          co_await time.wait(timer, time.now() + after);
          stopped_at = time.now();
          stop = !ended;
        },
        [](const std::exception_ptr& fault) { EXPECT_FALSE(fault); });
    const ErrorCode code = co_await call(**client);
    ended = true;
    if (stop) out = Stopped{time.now() - stopped_at, code};
    if (lease) {
      const auto down = co_await lease->power_down();
      EXPECT_FALSE(down) << "a deaf board confirms nothing";
    }
    co_await (*client)->close();
    if (stop) {
      EXPECT_LE(time.now() - stopped_at, 1s) << "nor does the end of the job wait for it";
    }
  };
  asio::co_spawn(io, body(), [](const std::exception_ptr& fault) { EXPECT_FALSE(fault); });
  time.run(io);
  return out;
}

// At every moment of the call, the deadline of its answer and getting in step again included.
void expect_stop_within_500ms(const Call& call, std::optional<Clock::duration> rung_takes = std::nullopt) {
  unsigned stopped = 0;
  for (Clock::duration after{}; after < 20s; after += 13ms) {
    const auto seen = stop_after(after, call, rung_takes);
    if (!seen) break;
    ++stopped;
    EXPECT_LE(seen->took, 500ms) << "stopped " << after / 1ms << " ms after the beginning";
    EXPECT_EQ(seen->code, ErrorCode::interrupted) << "stopped " << after / 1ms << " ms after the beginning";
  }
  EXPECT_GT(stopped, 100u);
}

asio::awaitable<ErrorCode> ask_state(BoardClient& board) {
  const auto state = co_await board.state();
  co_return state ? ErrorCode::internal : state.error().code();
}

asio::awaitable<ErrorCode> run_the_program(BoardClient& board) {
  CollectPages sink;
  const auto program = read_page_program();
  RunRequest request;
  request.program = &program;
  request.rows = {0, 64, 64, 1};
  const auto ran = co_await board.run(request, sink);
  co_return ran ? ErrorCode::internal : ran.error().code();
}

asio::awaitable<ErrorCode> switch_port_on(BoardClient& board) {
  const auto lease = co_await PowerLease::port(board, 100, 10, false, false);
  co_return lease ? ErrorCode::internal : lease.error().code();
}

TEST(Stop, F05_QuestionToADeafBoardEndsWithin500ms) { expect_stop_within_500ms(ask_state); }
TEST(Stop, F05_RunOnADeafBoardEndsWithin500ms) { expect_stop_within_500ms(run_the_program); }
TEST(Stop, F05_SwitchingOnADeafBoardEndsWithin500ms) { expect_stop_within_500ms(switch_port_on); }
TEST(Stop, F04_AlsoOnTheLadderItEndsWithin500ms) { expect_stop_within_500ms(ask_state, 3s); }

// A board that stays deaf, and how the question to it ends.
TEST(Ladder, F04_ADeafBoardsLinkIsTakenUpEveryRungOnceThenTheBoardIsGivenUp) {
  asio::io_context io(1);
  VirtualTime time;
  bool deaf = false;
  std::vector<link::Rung> taken;
  const auto body = [&]() -> asio::awaitable<void> {
    auto link = std::make_unique<BoardInMemory>(io.get_executor(), deaf);
    link->give_ladder(time, 3s, &taken);
    auto client = co_await BoardClient::connect(std::move(link), nullptr, time);
    EXPECT_TRUE(client);
    if (!client) co_return;
    deaf = true;
    const auto began = time.now();
    const auto state = co_await (*client)->state();
    EXPECT_FALSE(state);
    if (!state) {
      EXPECT_EQ(state.error().code(), ErrorCode::board_timeout);
      EXPECT_NE(state.error().what().find("nor after 3 ways to bring its link back"), std::string::npos) << state.error().text();
    }
    EXPECT_TRUE((*client)->lost());
    EXPECT_LE(time.now() - began, 17s) << "answer 2 s, abort 2 s, three rungs of 3 s and an abort of 1 s after each";
    co_await (*client)->close();
  };
  asio::co_spawn(io, body(), [](const std::exception_ptr& fault) { EXPECT_FALSE(fault); });
  time.run(io);
  EXPECT_EQ(taken, std::vector<link::Rung>(link::kLadder.begin(), link::kLadder.end()));
}

// How switching off ends, with the stream deaf and so many readings until the socket is below 0.1 V; nothing: no side channel.
Result<void> power_down_deaf(std::optional<unsigned> readings, bool keep_port, bool* cut = nullptr) {
  asio::io_context io(1);
  VirtualTime time;
  bool deaf = false;
  Result<void> out;
  const auto body = [&]() -> asio::awaitable<void> {
    auto link = std::make_unique<BoardInMemory>(io.get_executor(), deaf);
    if (readings) link->give_side(*readings);
    BoardInMemory& board = *link;
    auto client = co_await BoardClient::connect(std::move(link), nullptr, time);
    EXPECT_TRUE(client);
    if (!client) co_return;
    // Two statements: g++ 12 destroys the temporaries of a co_await inside a conditional expression twice.
    std::optional<Result<PowerLease>> lease;
    if (keep_port) {
      lease.emplace(co_await PowerLease::port(**client, 100, 10, true, true));
    } else {
      lease.emplace(co_await PowerLease::socket(**client, Millivolts(3300), 100, SocketGround::user_word()));
    }
    EXPECT_TRUE(*lease);
    deaf = true;
    if (*lease) out = co_await (*lease)->power_down();
    if (cut != nullptr) *cut = board.was_cut();
    co_await (*client)->close();
  };
  asio::co_spawn(io, body(), [](const std::exception_ptr& fault) { EXPECT_FALSE(fault); });
  time.run(io);
  return out;
}

TEST(Stop, WithADeafStreamTheSideChannelSwitchesOffAndConfirmsIt) {
  EXPECT_TRUE(power_down_deaf(0, false));
  EXPECT_FALSE(power_down_deaf(std::nullopt, false)) << "without one a deaf board confirms nothing";
}

TEST(Stop, ARailThatStaysUpIsNotCalledOffByTheSideChannel) {
  const auto down = power_down_deaf(1'000'000, false);
  ASSERT_FALSE(down);
  EXPECT_NE(down.error().text().find("not confirmed"), std::string::npos) << down.error().text();
}

TEST(Stop, APortThatIsToStayOnIsNotCutBesideTheStream) {
  bool cut = true;
  EXPECT_FALSE(power_down_deaf(0, true, &cut));
  EXPECT_FALSE(cut);
}

}  // namespace
}  // namespace steadycell::board
