#pragma once
#include <boost/asio/awaitable.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/steady_timer.hpp>
#include <deque>
#include <functional>
#include <memory>
#include <string>

#include "api/message.h"
#include "base/json.h"

namespace steadycell::daemon {

// Something told to clients beside answers: {"event", "seq", ...}.
struct Event {
  std::string name;
  json::Object rest;
  // When not empty: may be replaced, while it waits to be sent, by a later one with the same words here.
  std::string replaceable;
};

// One client: its lines in, its lines out. Lives on the loop. What waits to be sent is bounded: progress gives way to
// later progress; when all else grows beyond kMaxWaiting the client does not read, and is let go. A client that closes its
// sending side still gets what waits for it, and is gone then.
class Session : public std::enable_shared_from_this<Session> {
 public:
  using Socket = boost::asio::local::stream_protocol::socket;
  static constexpr std::size_t kMaxWaiting = 1 << 20;

  struct Handlers {
    std::function<void(Session&, const api::LineReader::Line&)> on_line;
    std::function<void(Session&, bool did_not_read)> on_end;  // once
  };

  Session(Socket socket, Handlers handlers);
  void start();

  void send(std::string line);
  void tell(const Event& event);
  // Ends reading and writing; on_end is called.
  void close(bool did_not_read = false);
  // Nothing waits to be sent.
  bool idle() const { return waiting_.empty(); }

  // What the client said about itself (daemon.hello), and what the kernel says.
  std::string program = "a client";
  std::string folder = "/";  // relative paths of its jobs start here
  bool attached = false;     // its jobs stop when it goes
  bool watching = false;     // gets the events of all jobs
  int process = 0;

 private:
  struct Waiting {
    std::string line, replaceable;
  };
  boost::asio::awaitable<void> read();
  boost::asio::awaitable<void> write();
  boost::asio::awaitable<void> take_lines();
  boost::asio::awaitable<void> send_lines();
  void append(Waiting line);

  Socket socket_;
  boost::asio::steady_timer wake_;  // of the writer
  Handlers handlers_;
  api::LineReader lines_{api::kMaxRequestBytes};
  std::deque<Waiting> waiting_;  // the front is being written
  std::size_t waiting_bytes_ = 0;
  std::uint64_t events_ = 0;
  bool open_ = true;
  bool no_more_ = false;  // the client has closed its sending side
};

}  // namespace steadycell::daemon
