#pragma once
#include <cstdint>
#include <optional>

#include "base/bytes.h"
#include "steadycell/protocol.h"

namespace steadycell::protocol {

// Appends one whole frame of the command channel (firmware_protocol/PROTOCOL.md, section 1), in the version that host and
// board agreed on.
void append_request(std::uint16_t type, std::uint32_t sequence, std::uint32_t request_id, ByteSpan payload,
                    Bytes& out, std::uint8_t version = SCP_VERSION);

struct Frame {
  scp_header header;
  ByteSpan payload;  // valid until the reader's next call, as long as the bytes it was given are
};

// Finds the frames in a stream cut at any place. Damage costs the frame it hit and nothing behind it. Its memory
// is one frame of the greatest length, whatever a header claims.
class FrameReader {
 public:
  FrameReader();
  FrameReader(const FrameReader&) = delete;
  FrameReader& operator=(const FrameReader&) = delete;

  // Takes bytes from the front of `bytes`. Nothing: all were taken and no further frame is whole.
  std::optional<Frame> next(ByteSpan& bytes);
  // The frame that has begun will never be whole: the next bytes begin anew. What it had swallowed is searched
  // again.
  void give_up();
  // Longer frames are damage from now on; never more than SCP_MAX_PAYLOAD.
  void limit_payload(std::uint32_t bytes);

  std::uint32_t bad_frames() const { return parser_.bad_frames; }
  std::uint64_t skipped_bytes() const { return parser_.skipped_bytes; }

 private:
  Bytes buffer_;
  scp_parser parser_{};
};

// Where a frame stands in the sequence of its channel.
struct Arrival {
  enum class Kind : std::uint8_t {
    in_order,
    ahead,    // frames are missing in front of it
    late,     // one of those that were missing
    repeated  // its number was taken already, or lies too far back to say
  };
  Kind kind = Kind::in_order;
  std::uint32_t lost = 0;  // with ahead: how many
};

// Follows the sequence numbers of one channel, across the wrap, remembering the last 64.
class SequenceWindow {
 public:
  Arrival take(std::uint32_t sequence);
  void restart();  // the next expected is 0

 private:
  std::uint32_t expected_ = 0;
  std::uint64_t seen_ = ~std::uint64_t{0};  // bit i: expected_ - 1 - i has come; nothing before the first can
};

}  // namespace steadycell::protocol
