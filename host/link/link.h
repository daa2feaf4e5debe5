#pragma once
#include <array>
#include <boost/asio/any_io_executor.hpp>
#include <boost/asio/awaitable.hpp>
#include <functional>
#include <memory>
#include <string>
#include <string_view>

#include "base/bytes.h"
#include "base/result.h"
#include "steadycell/usb.h"

namespace steadycell::link {

namespace asio = boost::asio;

// What a link tells by itself, beside reading and writing.
struct LinkNews {
  enum class Kind : std::uint8_t {
    recovery,    // a rung of the ladder was taken
    side_found,  // the side channel works; `text` is empty the first time
    side_lost,   // it does not, or no longer; the stream is not touched by that
    meter        // a reading came over the side channel; no text
  };
  Kind kind;
  std::string text;
  scu_meter meter{};
};

// The ladder: ways to bring a link back to life, from the one that costs least.
enum class Rung : std::uint8_t { clear_halts, claim_again, reset_port };
inline constexpr std::array kLadder{Rung::clear_halts, Rung::claim_again, Rung::reset_port};

// The seam to a board: one byte stream each way. Framing, sequence and time-outs are board/'s; a link only moves
// bytes. One reader and one writer at a time. Everything runs on the executor it was opened with.
class Link {
 public:
  virtual ~Link() = default;
  // At least one byte, or link_lost when the other end is gone or close() was called.
  virtual asio::awaitable<Result<std::size_t>> read_some(MutableByteSpan into) = 0;
  // The same without a copy, where the link has the bytes in memory of its own: valid until the next read or the link's end. Other
  // links read into `room`.
  virtual asio::awaitable<Result<ByteSpan>> read_view(MutableByteSpan room);
  virtual asio::awaitable<Result<void>> write(ByteSpan bytes) = 0;
  // Ends a waiting read and write with link_lost. May be called twice.
  virtual void close() = 0;
  // For messages: "sim:fixture.json".
  virtual std::string describe() const = 0;

  // What follows is for links that have more than a stream; nothing of it waits. News come on the executor, until close().
  using NewsSink = std::function<void(const LinkNews&)>;
  virtual void on_news(const NewsSink& /*sink*/) {}
  // A second, small way in, which a stuck stream does not hold up: looked for by the UUID that the board gave over the stream. What
  // comes of it is news; it may go and come back.
  virtual void open_side(const std::string& /*uuid*/) {}
  // One heartbeat for each call, so that the board still falls silent when the caller hangs.
  virtual void heartbeat_beside() {}
  // Takes this way, or a stronger one, to bring a silent link back to life; bytes under way may be lost, and that it was taken is news.
  // False: there is none, or none left. While recovering(), nothing moves.
  virtual bool recover(Rung /*at_least*/, const std::string& /*why*/) { return false; }
  virtual bool recovering() const { return false; }
  // Cuts every rail. Its token comes back in the meter readings of a board that heard it; 0: there is no side channel now.
  virtual std::uint32_t cut_rails_beside() { return 0; }
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
