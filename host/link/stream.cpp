#include <boost/asio/buffer.hpp>
#include <boost/asio/connect.hpp>
#include <boost/asio/generic/stream_protocol.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/this_coro.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <boost/asio/write.hpp>
#include <chrono>
#include <optional>

#include "base/text.h"
#include "link/child.h"
#include "link/link.h"
#include "link/usb.h"

namespace steadycell::link {
namespace {

using Socket = asio::generic::stream_protocol::socket;
using boost::system::error_code;

class StreamLink final : public Link {
 public:
  StreamLink(Socket socket, std::string description, std::optional<SimBoardProcess> process)
      : process_(std::move(process)), socket_(std::move(socket)), description_(std::move(description)) {}

  asio::awaitable<Result<std::size_t>> read_some(MutableByteSpan into) override {
    error_code code;
    const std::size_t got = co_await socket_.async_read_some(asio::buffer(into.data(), into.size()),
                                                             asio::redirect_error(asio::use_awaitable, code));
    if (code || got == 0) co_return failure(lost(code));
    co_return got;
  }

  asio::awaitable<Result<void>> write(ByteSpan bytes) override {
    error_code code;
    co_await asio::async_write(socket_, asio::buffer(bytes.data(), bytes.size()),
                               asio::redirect_error(asio::use_awaitable, code));
    if (code) co_return failure(lost(code));
    co_return Result<void>();
  }

  void close() override {
    error_code ignored;
    socket_.shutdown(Socket::shutdown_both, ignored);
    socket_.close(ignored);
  }

  std::string describe() const override { return description_; }

 private:
  // A simulated board that has ended says why on its standard error: a wrong fixture, for one.
  Error lost(const error_code& code) {
    if (process_ && socket_.is_open())
      if (auto why = process_->last_words()) return std::move(*why).during("{}", description_);
    return Error(ErrorCode::link_lost, fmt::format("{}: {}", description_, code ? code.message() : "closed"));
  }

  std::optional<SimBoardProcess> process_;  // outlives the socket
  Socket socket_;
  std::string description_;
};

// No cable is to be blamed for an address of a program: the cure goes by its kind.
Error not_reached(const BoardAddress& address, std::string_view why) {
  const bool tcp = address.kind == BoardAddress::Kind::tcp;
  return Error(ErrorCode::link_open_failed, fmt::format("{}: {}", printable(address.text()), why))
      .advising(tcp ? "check host and port, that the board's program runs and listens there, and that no firewall is between"
                    : "check the path, and that the board's program runs, listens there and lets you in");
}

asio::awaitable<Result<std::unique_ptr<Link>>> open_tcp(BoardAddress address) {
  constexpr std::chrono::seconds kDeadline{5};
  const auto executor = co_await asio::this_coro::executor;
  error_code code;
  asio::ip::tcp::resolver resolver(executor);
  asio::ip::tcp::socket socket(executor);
  bool late = false;
  asio::steady_timer deadline(executor, kDeadline);
  deadline.async_wait([&](const error_code& cancelled) {
    if (cancelled) return;  // the references may be gone
    late = true;
    error_code ignored;
    resolver.cancel();
    socket.close(ignored);
  });
  const auto found =
      co_await resolver.async_resolve(address.host, address.port, asio::redirect_error(asio::use_awaitable, code));
  if (!code && !late) co_await asio::async_connect(socket, found, asio::redirect_error(asio::use_awaitable, code));
  deadline.cancel();
  if (late)
    co_return failure(not_reached(address, fmt::format("no connection within {} s", kDeadline.count())));
  if (code) co_return failure(not_reached(address, code.message()));
  socket.set_option(asio::ip::tcp::no_delay(true), code);
  co_return std::make_unique<StreamLink>(Socket(std::move(socket)), address.text(), std::nullopt);
}

asio::awaitable<Result<std::unique_ptr<Link>>> open_unix(BoardAddress address) {
  const auto executor = co_await asio::this_coro::executor;
  asio::local::stream_protocol::socket socket(executor);
  if (address.path.size() >= 108)
    co_return failure(Error(ErrorCode::link_open_failed,
                            fmt::format("{}: the path is longer than a socket's may be (107 bytes)", printable(address.text())))
                          .advising("let the board's program listen at a shorter path, or go to its folder and give the name alone"));
  error_code code;
  co_await socket.async_connect(asio::local::stream_protocol::endpoint(address.path),
                                asio::redirect_error(asio::use_awaitable, code));
  if (code) co_return failure(not_reached(address, code.message()));
  co_return std::make_unique<StreamLink>(Socket(std::move(socket)), address.text(), std::nullopt);
}

asio::awaitable<Result<std::unique_ptr<Link>>> open_sim(BoardAddress address) {
  const auto executor = co_await asio::this_coro::executor;
  auto process = SimBoardProcess::start(address.path);
  if (!process) co_return failure(process.error());
  Socket socket(executor, asio::generic::stream_protocol(AF_UNIX, 0), process->take_socket());
  co_return std::make_unique<StreamLink>(std::move(socket), address.text(), std::move(*process));
}

}  // namespace

asio::awaitable<Result<ByteSpan>> Link::read_view(MutableByteSpan room) {
  const auto got = co_await read_some(room);
  if (!got) co_return failure(got.error());
  co_return ByteSpan(room.first(*got));
}

asio::awaitable<Result<std::unique_ptr<Link>>> open_link(BoardAddress address) {
  switch (address.kind) {
    case BoardAddress::Kind::tcp:
      co_return co_await open_tcp(std::move(address));
    case BoardAddress::Kind::unix_socket:
      co_return co_await open_unix(std::move(address));
    case BoardAddress::Kind::sim:
      co_return co_await open_sim(std::move(address));
    case BoardAddress::Kind::usb:
      break;
  }
  co_return co_await open_usb(std::move(address.path));
}

std::unique_ptr<Link> adopt_socket(const asio::any_io_executor& executor, int fd, std::string description) {
  return std::make_unique<StreamLink>(Socket(executor, asio::generic::stream_protocol(AF_UNIX, 0), fd),
                                      std::move(description), std::nullopt);
}

}  // namespace steadycell::link
