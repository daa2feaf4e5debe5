#pragma once
#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <random>
#include <span>
#include <vector>

#include "steadycell/protocol.h"

// Frames as plain values, for tests.
namespace frames {

using Bytes = std::vector<std::uint8_t>;

struct Frame {
  scp_header header{};
  Bytes payload;
};

inline bool operator==(const Frame& a, const Frame& b) {
  return a.header.version == b.header.version && a.header.channel == b.header.channel && a.header.type == b.header.type &&
         a.header.sequence == b.header.sequence && a.header.request_id == b.header.request_id &&
         a.header.length == b.header.length && a.payload == b.payload;
}

inline Bytes encode(std::uint8_t channel, std::uint16_t type, std::uint32_t sequence, std::uint32_t request_id,
                    const Bytes& payload, std::uint8_t version = SCP_VERSION) {
  Bytes bytes(SCP_HEADER_BYTES + payload.size() + SCP_TRAILER_BYTES);
  const scp_header header{version, channel, type, sequence, request_id, static_cast<std::uint32_t>(payload.size())};
  scp_put_header(bytes.data(), &header);
  std::copy(payload.begin(), payload.end(), bytes.begin() + SCP_HEADER_BYTES);
  scp_put_trailer(bytes.data() + SCP_HEADER_BYTES + payload.size(), payload.data(), payload.size());
  return bytes;
}

// A parser with its buffer, collecting what it finds. Every chunk is handed over in a block of its own, so that an
// address sanitizer sees a read past its end.
class Collector {
 public:
  explicit Collector(std::size_t max_payload = SCP_MAX_PAYLOAD) : buffer_(SCP_HEADER_BYTES + max_payload + SCP_TRAILER_BYTES) {
    scp_parser_init(&parser, buffer_.data(), buffer_.size());
  }

  void feed(std::span<const std::uint8_t> chunk) {
    const Bytes own(chunk.begin(), chunk.end());
    const std::uint8_t* at = own.data();
    std::size_t n = own.size();
    bool more = false;
    do {
      scp_header header{};
      const std::uint8_t* payload = nullptr;
      const std::size_t took = scp_parser_feed(&parser, at, n, &more, &header, &payload);
      at += took;
      n -= took;
      if (more) found.push_back({header, Bytes(payload, payload + header.length)});
    } while (more);
    untaken += n;
  }
  void feed_in_pieces(std::span<const std::uint8_t> bytes, std::size_t piece) {
    for (; !bytes.empty(); bytes = bytes.subspan(std::min(piece, bytes.size()))) feed(bytes.first(std::min(piece, bytes.size())));
  }
  void give_up_all() {
    while (scp_parser_give_up(&parser)) feed({});
  }

  scp_parser parser{};
  std::vector<Frame> found;
  std::size_t untaken = 0;

 private:
  Bytes buffer_;
};

// Numbers of a payload, one after the other.
class Writer {
 public:
  Writer& u8(unsigned v) {
    bytes.push_back(static_cast<std::uint8_t>(v));
    return *this;
  }
  Writer& u16(unsigned v) {
    std::uint8_t at[2];
    scp_put_u16(at, static_cast<std::uint16_t>(v));
    return raw(at);
  }
  Writer& i16(int v) { return u16(static_cast<std::uint16_t>(v)); }
  Writer& u32(std::uint32_t v) {
    std::uint8_t at[4];
    scp_put_u32(at, v);
    return raw(at);
  }
  Writer& i32(std::int32_t v) { return u32(static_cast<std::uint32_t>(v)); }
  Writer& u64(std::uint64_t v) {
    std::uint8_t at[8];
    scp_put_u64(at, v);
    return raw(at);
  }
  Writer& raw(std::span<const std::uint8_t> v) {
    bytes.insert(bytes.end(), v.begin(), v.end());
    return *this;
  }

  Bytes bytes;
};

}  // namespace frames
