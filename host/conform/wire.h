#pragma once
#include <boost/asio/any_io_executor.hpp>
#include <boost/asio/steady_timer.hpp>
#include <chrono>
#include <deque>

#include "base/bytes.h"
#include "conform/conform.h"
#include "protocol/frame.h"

namespace steadycell::conform {

using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;

struct Received {
  scp_header header{};
  Bytes payload;
  Clock::time_point at;
};

// An answer, or that none came.
struct Reply {
  bool came = false;
  std::uint16_t status = 0xFFFF, detail = 0;
  Bytes rest;
  double ms = 0;  // from the request to here
  bool is(scp_status expected) const { return came && status == expected; }
};
std::string to_text(const Reply& reply);

// A host that is nothing but frames: unlike board::BoardClient it can send what no right host would, fall silent,
// and stop listening. One thread; close() must be awaited.
class Wire {
 public:
  Wire(std::unique_ptr<link::Link> link, asio::any_io_executor executor, const std::atomic<bool>* stop);
  void start();
  asio::awaitable<void> close();

  // Bytes as they are, behind what waits.
  void send_bytes(ByteSpan bytes);
  // A good request; returns its id.
  std::uint32_t send(std::uint16_t type, ByteSpan payload = {});
  // The same as bytes, not sent; any field may be wrong.
  Bytes frame(std::uint16_t type, ByteSpan payload, std::uint32_t sequence, std::uint32_t id) const;
  std::uint32_t fresh_id() { return ++last_id_; }
  std::uint32_t take_sequence() { return next_sequence_++; }

  asio::awaitable<Reply> answer(std::uint32_t id, Clock::duration longest = 2s);
  asio::awaitable<Reply> ask(std::uint16_t type, Bytes payload = {}, Clock::duration longest = 2s);
  // HELLO with these versions; sequences begin anew.
  asio::awaitable<Reply> greet(std::uint8_t oldest, std::uint8_t newest);

  // True when `there` became true in time. The heart beats meanwhile, if it is to.
  asio::awaitable<bool> until(std::function<bool()> there, Clock::duration longest);
  asio::awaitable<void> sleep(Clock::duration time);

  void beat(bool on) { beating_ = on; }
  void listen(bool on) { listening_ = on; }
  void version(std::uint8_t agreed) { version_ = agreed; }

  // All frames since forget(), in order.
  const std::deque<Received>& received() const { return received_; }
  void forget() {
    received_.clear();
    kept_bytes_ = 0;
  }
  const Received* find(std::uint16_t type) const;
  // The first EVENT of this kind since forget().
  std::optional<protocol::BoardEvent> event(scp_event kind) const;
  Clock::time_point last_sent() const { return last_sent_; }
  std::uint32_t damaged() const { return reader_.bad_frames(); }

  // The link has gone, or a stop was asked for: nothing further makes sense.
  std::optional<Error> over() const;

 private:
  asio::awaitable<void> read_loop();
  asio::awaitable<void> write_loop();
  asio::awaitable<void> beat_loop();

  std::unique_ptr<link::Link> link_;
  asio::any_io_executor executor_;
  const std::atomic<bool>* stop_;
  asio::steady_timer wake_, outgoing_wake_;
  Bytes outgoing_;
  protocol::FrameReader reader_;
  std::deque<Received> received_;
  std::uint64_t kept_bytes_ = 0;  // that came since forget()
  std::optional<Error> broken_;
  bool closing_ = false, beating_ = false, listening_ = true;
  int coroutines_ = 0;
  std::uint8_t version_ = SCP_VERSION;
  std::uint32_t last_id_ = 0, next_sequence_ = 0;
  Clock::time_point last_sent_{};
};

}  // namespace steadycell::conform
