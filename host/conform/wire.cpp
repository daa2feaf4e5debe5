#include "conform/wire.h"

#include <fmt/format.h>

#include <algorithm>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>

namespace steadycell::conform {
namespace {

constexpr std::size_t kReadBytes = 16 << 10;     // little: what is taken while listening ends is soon over
constexpr std::uint64_t kMostBytes = 256 << 20;  // of one duty: a board that ends nothing must not fill the memory
constexpr auto kBeat = 100ms;
constexpr auto kSlice = 20ms;

asio::awaitable<void> wait(asio::steady_timer& timer, Clock::time_point until) {
  boost::system::error_code ignored;
  timer.expires_at(until);
  co_await timer.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
}

}  // namespace

std::string to_text(const Reply& reply) {
  static constexpr std::string_view kNames[] = {
      "OK",      "BAD_REQUEST",      "UNKNOWN_TYPE",    "REFUSED_SEQUENCE", "REFUSED_RAIL",
      "BUSY",    "LID_OPEN",         "RAIL_FAILED",     "CURRENT_LIMIT",    "BLEED_FAILED",
      "WP_HIGH", "VERSION_MISMATCH", "NO_SUCH_PROGRAM", "ABORTED",          "RAIL_LOST"};
  if (!reply.came) return "no answer";
  const std::string name = reply.status < std::size(kNames) ? std::string(kNames[reply.status])
                                                            : fmt::format("status {}", reply.status);
  return reply.detail == 0 ? name : fmt::format("{} (detail {})", name, reply.detail);
}

Wire::Wire(std::unique_ptr<link::Link> link, asio::any_io_executor executor, const std::atomic<bool>* stop)
    : link_(std::move(link)),
      executor_(std::move(executor)),
      stop_(stop),
      wake_(executor_),
      outgoing_wake_(executor_) {}

void Wire::start() {
  const auto run_background = [this](asio::awaitable<void> coroutine) {
    ++coroutines_;
    asio::co_spawn(executor_, std::move(coroutine), [this](const std::exception_ptr& fault) {
      --coroutines_;
      if (fault && !broken_)
        broken_ = Error(ErrorCode::internal, "a coroutine of the conformance check ended with an exception");
      wake_.cancel();
    });
  };
  run_background(read_loop());
  run_background(write_loop());
  run_background(beat_loop());
}

asio::awaitable<void> Wire::close() {
  closing_ = true;
  link_->close();
  outgoing_wake_.cancel();
  asio::steady_timer timer(executor_);
  while (coroutines_ > 0) co_await wait(timer, Clock::now() + 5ms);
}

asio::awaitable<void> Wire::read_loop() {
  Bytes buffer(kReadBytes);
  asio::steady_timer timer(executor_);
  while (!closing_ && !broken_) {
    if (!listening_) {
      co_await wait(timer, Clock::now() + 1ms);
      continue;
    }
    const auto got = co_await link_->read_some(buffer);
    if (!got) {
      if (!closing_) broken_ = got.error();
      break;
    }
    ByteSpan bytes = ByteSpan(buffer).first(*got);
    kept_bytes_ += bytes.size();
    if (kept_bytes_ > kMostBytes && !broken_)
      broken_ = Error(ErrorCode::board_garbage,
                      fmt::format("{} sent {} bytes in one duty, and goes on", link_->describe(), kept_bytes_));
    while (const auto frame = reader_.next(bytes))
      received_.push_back({frame->header, Bytes(frame->payload.begin(), frame->payload.end()), Clock::now()});
    wake_.cancel();
  }
}

asio::awaitable<void> Wire::write_loop() {
  Bytes writing;
  while (!closing_ && !broken_) {
    if (outgoing_.empty()) {
      co_await wait(outgoing_wake_, Clock::now() + 1h);
      continue;
    }
    writing.clear();
    writing.swap(outgoing_);
    const auto written = co_await link_->write(writing);
    if (!written && !closing_) broken_ = written.error();
  }
}

asio::awaitable<void> Wire::beat_loop() {
  asio::steady_timer timer(executor_);
  while (!closing_ && !broken_) {
    if (beating_ && outgoing_.empty() && Clock::now() - last_sent_ >= kBeat - 5ms) send(SCP_HEARTBEAT);
    co_await wait(timer, Clock::now() + kBeat / 4);
  }
}

void Wire::send_bytes(ByteSpan bytes) {
  outgoing_.insert(outgoing_.end(), bytes.begin(), bytes.end());
  last_sent_ = Clock::now();
  outgoing_wake_.cancel();
}

Bytes Wire::frame(std::uint16_t type, ByteSpan payload, std::uint32_t sequence, std::uint32_t id) const {
  Bytes out(SCP_HEADER_BYTES + payload.size() + SCP_TRAILER_BYTES);
  const scp_header header{
      version_, SCP_CHANNEL_COMMAND, type, sequence, id, static_cast<std::uint32_t>(payload.size())};
  scp_put_header(out.data(), &header);
  std::copy(payload.begin(), payload.end(), out.begin() + SCP_HEADER_BYTES);
  scp_put_trailer(out.data() + SCP_HEADER_BYTES + payload.size(), out.data() + SCP_HEADER_BYTES, payload.size());
  return out;
}

std::uint32_t Wire::send(std::uint16_t type, ByteSpan payload) {
  const std::uint32_t id = fresh_id();
  send_bytes(frame(type, payload, take_sequence(), id));
  return id;
}

asio::awaitable<bool> Wire::until(std::function<bool()> there, Clock::duration longest) {
  const auto end = Clock::now() + longest;
  for (;;) {
    if (there()) co_return true;
    const auto now = Clock::now();
    if (now >= end || over()) co_return false;
    co_await wait(wake_, std::min<Clock::time_point>(end, now + kSlice));
  }
}

asio::awaitable<void> Wire::sleep(Clock::duration time) {
  (void)co_await until([] { return false; }, time);
}

asio::awaitable<Reply> Wire::answer(std::uint32_t id, Clock::duration longest) {
  const auto from = Clock::now();
  const Received* found = nullptr;
  const std::function<bool()> there = [&] {
    for (auto frame = received_.rbegin(); frame != received_.rend() && found == nullptr; ++frame)
      if (frame->header.request_id == id && (frame->header.type & SCP_ANSWER) != 0) found = &*frame;
    return found != nullptr;
  };
  Reply reply;
  if (!co_await until(there, longest)) co_return reply;
  const auto decoded = protocol::decode_answer(found->payload);
  if (!decoded) co_return reply;
  reply.came = true;
  reply.status = decoded->status;
  reply.detail = decoded->detail;
  reply.rest = decoded->rest;
  reply.ms = std::chrono::duration<double, std::milli>(found->at - from).count();
  co_return reply;
}

asio::awaitable<Reply> Wire::ask(std::uint16_t type, Bytes payload, Clock::duration longest) {
  const std::uint32_t id = send(type, payload);
  co_return co_await answer(id, longest);
}

asio::awaitable<Reply> Wire::greet(std::uint8_t oldest, std::uint8_t newest) {
  next_sequence_ = 0;
  const Bytes payload{oldest, newest, 0, 0};
  co_return co_await ask(SCP_HELLO, payload, 1s);
}

const Received* Wire::find(std::uint16_t type) const {
  for (const Received& frame : received_)
    if (frame.header.type == type) return &frame;
  return nullptr;
}

std::optional<protocol::BoardEvent> Wire::event(scp_event kind) const {
  for (const Received& frame : received_) {
    if (frame.header.type != SCP_EVENT) continue;
    const auto event = protocol::decode_event(frame.payload);
    if (event && event->kind == kind) return *event;
  }
  return std::nullopt;
}

std::optional<Error> Wire::over() const {
  if (broken_) return broken_;
  if (stop_ != nullptr && stop_->load(std::memory_order_relaxed))
    return Error(ErrorCode::interrupted, "stopped on request");
  return std::nullopt;
}

}  // namespace steadycell::conform
