#include "daemon/session.h"

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <boost/asio/write.hpp>
#include <array>
#include <exception>

namespace steadycell::daemon {

namespace asio = boost::asio;
using boost::system::error_code;

Session::Session(Socket socket, Handlers handlers)
    : socket_(std::move(socket)), wake_(socket_.get_executor(), asio::steady_timer::time_point::max()), handlers_(std::move(handlers)) {}

void Session::start() {
  // Each coroutine holds the session for as long as it runs.
  const auto self = shared_from_this();
  try {
    asio::co_spawn(socket_.get_executor(), [self] { return self->read(); }, asio::detached);
    asio::co_spawn(socket_.get_executor(), [self] { return self->write(); }, asio::detached);
  } catch (const std::exception&) {
    close();
    throw;
  }
}

// In both: an exception (no memory, for one) costs this client its connection, the others nothing.
asio::awaitable<void> Session::read() {
  try {
    co_await take_lines();
  } catch (const std::exception&) {
    close();
  }
  // A client that will say no more may still want to hear what waits for it.
  no_more_ = true;
  if (idle()) close();
  wake_.cancel();
}

asio::awaitable<void> Session::write() {
  try {
    co_await send_lines();
  } catch (const std::exception&) {  // as above
  }
  close();
}

asio::awaitable<void> Session::take_lines() {
  std::array<char, 16384> buffer{};
  while (open_) {
    error_code code;
    const std::size_t got = co_await socket_.async_read_some(asio::buffer(buffer), asio::redirect_error(asio::use_awaitable, code));
    if (code) co_return;
    lines_.feed({buffer.data(), got}, [this](const api::LineReader::Line& line) {
      handlers_.on_line(*this, line);
      return open_;
    });
  }
}

asio::awaitable<void> Session::send_lines() {
  while (open_) {
    error_code code;
    if (waiting_.empty()) {
      if (no_more_) co_return;
      co_await wake_.async_wait(asio::redirect_error(asio::use_awaitable, code));
      continue;
    }
    co_await asio::async_write(socket_, asio::buffer(waiting_.front().line), asio::redirect_error(asio::use_awaitable, code));
    if (code) co_return;
    waiting_bytes_ -= waiting_.front().line.size();
    waiting_.pop_front();
  }
}

void Session::append(Waiting line) {
  if (!open_) return;
  waiting_bytes_ += line.line.size();
  waiting_.push_back(std::move(line));
  if (waiting_bytes_ > kMaxWaiting) return close(true);
  wake_.cancel();
}

void Session::send(std::string line) {
  Waiting waiting;
  waiting.line = std::move(line);
  append(std::move(waiting));
}

void Session::tell(const Event& event) {
  json::Object message{{"event", event.name}, {"seq", ++events_}};
  for (const auto& member : event.rest) message.insert(member);
  Waiting waiting;
  waiting.line = json::text_of(std::move(message)) + "\n";
  waiting.replaceable = event.replaceable;
  if (!event.replaceable.empty())
    for (std::size_t i = waiting_.size(); i-- > 1;)
      if (waiting_[i].replaceable == event.replaceable) {
        waiting_bytes_ -= waiting_[i].line.size();
        waiting_.erase(waiting_.begin() + static_cast<std::ptrdiff_t>(i));  // and not replaced in its place: seq rises
        break;
      }
  append(std::move(waiting));
}

void Session::close(bool did_not_read) {
  if (!open_) return;
  open_ = false;
  error_code ignored;
  socket_.shutdown(Socket::shutdown_both, ignored);
  socket_.close(ignored);
  wake_.cancel();
  handlers_.on_end(*this, did_not_read);
}

}  // namespace steadycell::daemon
