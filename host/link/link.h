#pragma once
#include <boost/asio/any_io_executor.hpp>
#include <boost/asio/awaitable.hpp>
#include <memory>
#include <string>
#include <string_view>

#include "base/bytes.h"
#include "base/result.h"

namespace steadycell::link {

namespace asio = boost::asio;

// The seam to a board: one byte stream each way. Framing, sequence and time-outs are board/'s; a link only moves
// bytes. One reader and one writer at a time. Everything runs on the executor it was opened with.
class Link {
 public:
  virtual ~Link() = default;
  // At least one byte, or link_lost when the other end is gone or close() was called.
  virtual asio::awaitable<Result<std::size_t>> read_some(MutableByteSpan into) = 0;
  virtual asio::awaitable<Result<void>> write(ByteSpan bytes) = 0;
  // Ends a waiting read and write with link_lost. May be called twice.
  virtual void close() = 0;
  // For messages: "sim:fixture.json".
  virtual std::string describe() const = 0;
};

// sim:FIXTURE.json | tcp:HOST:PORT | unix:PATH | usb[:UUID|:BUS-PORT]
struct BoardAddress {
  enum class Kind : std::uint8_t { sim, tcp, unix_socket, usb };
  Kind kind = Kind::sim;
  std::string path;  // fixture, socket path, or what followed "usb:"
  std::string host, port;
  std::string text() const;
};
Result<BoardAddress> parse_board_address(std::string_view text);

// Connects, on the executor of the calling coroutine. `sim:` starts steadycell-simboard (beside the running
// program, else from PATH) and ends it with the link. Errors: link_open_failed, helper_missing, bad_input_file for
// a refused fixture.
asio::awaitable<Result<std::unique_ptr<Link>>> open_link(BoardAddress address);

// Takes over a connected stream socket.
std::unique_ptr<Link> adopt_socket(const asio::any_io_executor& executor, int fd, std::string description);

}  // namespace steadycell::link
