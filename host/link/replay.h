#pragma once
#include <memory>
#include <vector>

#include "link/link.h"
#include "steadycell/protocol.h"

// What was said over a link once, said again without a board: for measuring the host alone.
namespace steadycell::link {

// Requests and, with each, the frames that it caused, in the order in which they came. Frames that nobody asked
// for are left out. Held in memory whole.
class Recording {
 public:
  struct Frame {
    scp_header header{};
    std::size_t offset = 0;  // in bytes()
    std::size_t size() const { return SCP_HEADER_BYTES + header.length + SCP_TRAILER_BYTES; }
  };
  struct Exchange {
    Frame request;
    std::vector<Frame> caused;
    bool asked_before = false;  // an earlier request has the same type and payload: a poll, for one
  };

  // From what bytes() once was, read back from a file. bad_input_file when there is anything but whole frames.
  static Result<Recording> parse(ByteSpan bytes);

  // Room for so many bytes: growing moves them all, and a board does not wait for that.
  void reserve(std::size_t bytes) { bytes_.reserve(bytes); }
  // One frame more, of either direction.
  void add(const scp_header& header, ByteSpan payload);
  // All frames, one after the other, as they were on the wire.
  ByteSpan bytes() const { return bytes_; }
  const std::vector<Exchange>& exchanges() const { return exchanges_; }
  ByteSpan payload_of(const Frame& frame) const {
    return bytes().subspan(frame.offset + SCP_HEADER_BYTES, frame.header.length);
  }

 private:
  Bytes bytes_;
  std::vector<Exchange> exchanges_;
};

// Hands on what goes over `link`, and keeps a copy in `into`.
std::unique_ptr<Link> record(std::unique_ptr<Link> link, std::shared_ptr<Recording> into);

// Stands in for the board: each request is answered, at once, with what the same request caused then; request ids
// and sequence numbers are those of now. The host is to do as it did: a request that comes earlier than its turn
// may pass over repeated ones only, one that comes once more gets its last answer again, any other ends the link
// (link_lost, which names the request).
std::unique_ptr<Link> replay(const asio::any_io_executor& executor, std::shared_ptr<const Recording> recording);

}  // namespace steadycell::link
