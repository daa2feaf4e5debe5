// The frame parser fed arbitrary bytes in arbitrary chunks. Whatever comes: all bytes are taken, the count of them adds up,
// and the frames found do not depend on the chunks.
#include <cstdint>

#include "firmware_protocol/frames.h"

namespace {

void expect(bool holds) {
  if (!holds) __builtin_trap();
}

std::uint64_t bytes_of(const frames::Collector& c) {
  std::uint64_t sum = c.parser.skipped_bytes;
  for (const frames::Frame& f : c.found) sum += SCP_HEADER_BYTES + f.payload.size() + SCP_TRAILER_BYTES;
  return sum;
}

// Random bytes hardly ever carry a right CRC: half of the inputs are made of whole frames, some of them damaged.
frames::Bytes stream_of(std::span<const std::uint8_t> data) {
  frames::Bytes stream;
  while (data.size() >= 4) {
    const std::size_t n = std::min<std::size_t>(data[1] * 2u, data.size() - 4);
    frames::Bytes frame =
        frames::encode(data[0] % 4, data[2], data[3], data[0], {data.begin() + 4, data.begin() + 4 + static_cast<std::ptrdiff_t>(n)});
    if (data[0] & 0x80) frame[data[2] % frame.size()] ^= data[3];
    if (data[0] & 0x40) frame.resize(data[3] % frame.size());
    stream.insert(stream.end(), frame.begin(), frame.end());
    data = data.subspan(4 + n);
  }
  return stream;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 3) return 0;
  const std::size_t max_payload = 16u + data[1] * 2u, piece = 1u + data[2];
  const std::span<const std::uint8_t> rest(data + 3, size - 3);
  const frames::Bytes stream = data[0] & 1 ? stream_of(rest) : frames::Bytes(rest.begin(), rest.end());

  frames::Collector whole(max_payload), pieces(max_payload);
  whole.feed(stream);
  whole.give_up_all();
  pieces.feed_in_pieces(stream, piece);
  pieces.give_up_all();
  expect(whole.untaken == 0 && pieces.untaken == 0);
  expect(bytes_of(whole) == stream.size());
  expect(whole.found == pieces.found);
  expect(whole.parser.bad_frames == pieces.parser.bad_frames);
  return 0;
}
