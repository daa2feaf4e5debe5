#include "protocol/frame.h"

#include <algorithm>
#include <cassert>

namespace steadycell::protocol {

void append_request(std::uint16_t type, std::uint32_t sequence, std::uint32_t request_id, ByteSpan payload,
                    Bytes& out, std::uint8_t version) {
  assert(payload.size() <= SCP_MAX_REQUEST && request_id != 0);
  const std::size_t start = out.size();
  out.resize(start + SCP_HEADER_BYTES + payload.size() + SCP_TRAILER_BYTES);
  std::uint8_t* at = out.data() + start;
  const scp_header header{version,     SCP_CHANNEL_COMMAND, type,
                          sequence,    request_id,          static_cast<std::uint32_t>(payload.size())};
  scp_put_header(at, &header);
  std::copy(payload.begin(), payload.end(), at + SCP_HEADER_BYTES);
  scp_put_trailer(at + SCP_HEADER_BYTES + payload.size(), at + SCP_HEADER_BYTES, payload.size());
}

FrameReader::FrameReader() : buffer_(SCP_MAX_FRAME) {
  scp_parser_init(&parser_, buffer_.data(), buffer_.size());
}

std::optional<Frame> FrameReader::next(ByteSpan& bytes) {
  bool found = false;
  scp_header header{};
  const std::uint8_t* payload = nullptr;
  bytes = bytes.subspan(scp_parser_feed(&parser_, bytes.data(), bytes.size(), &found, &header, &payload));
  if (!found) return std::nullopt;
  return Frame{header, ByteSpan(payload, header.length)};
}

void FrameReader::give_up() {
  scp_parser_give_up(&parser_);
}

void FrameReader::limit_payload(std::uint32_t bytes) {
  parser_.max_payload = std::min<std::uint32_t>(bytes, SCP_MAX_PAYLOAD);
}

Arrival SequenceWindow::take(std::uint32_t sequence) {
  constexpr std::uint32_t kRemembered = 64;
  const auto ahead = static_cast<std::int32_t>(sequence - expected_);
  if (ahead >= 0) {
    const auto lost = static_cast<std::uint32_t>(ahead);
    seen_ = lost + 1 < kRemembered ? seen_ << (lost + 1) | 1 : 1;
    expected_ = sequence + 1;
    return {lost == 0 ? Arrival::Kind::in_order : Arrival::Kind::ahead, lost};
  }
  const std::uint32_t back = expected_ - 1 - sequence;
  if (back >= kRemembered || (seen_ >> back & 1) != 0) return {Arrival::Kind::repeated, 0};
  seen_ |= std::uint64_t{1} << back;
  return {Arrival::Kind::late, 0};
}

void SequenceWindow::restart() {
  expected_ = 0;
  seen_ = ~std::uint64_t{0};  // before the first there is nothing that could be late
}

}  // namespace steadycell::protocol
