#include "protocol/frame.h"

#include <gtest/gtest.h>

#include <random>

namespace steadycell::protocol {
namespace {

Bytes stream_of(std::uint32_t frames) {
  Bytes out;
  for (std::uint32_t i = 0; i < frames; ++i)
    append_request(SCP_ABORT, i, i + 1, Bytes(i % 40, static_cast<std::uint8_t>(i)), out);
  return out;
}

std::vector<std::uint32_t> sequences(FrameReader& reader, ByteSpan bytes) {
  std::vector<std::uint32_t> found;
  while (const auto frame = reader.next(bytes)) found.push_back(frame->header.sequence);
  EXPECT_TRUE(bytes.empty());
  return found;
}

// F-11: what the transport does to packet borders never shows.
TEST(Frames, F11_AnyRechunkingGivesTheSameFrames) {
  const Bytes stream = stream_of(60);
  std::vector<std::uint32_t> all(60);
  for (std::uint32_t i = 0; i < 60; ++i) all[i] = i;
  std::mt19937 random(11);
  for (int round = 0; round < 200; ++round) {
    FrameReader reader;
    std::vector<std::uint32_t> found;
    // Round 0: single bytes; zero-length pieces in between as R-24 wants them.
    std::uniform_int_distribution<std::size_t> length(0, round == 0 ? 1 : 100);
    for (ByteSpan rest = stream; !rest.empty();) {
      const std::size_t n = std::min(length(random), rest.size());
      const auto piece = sequences(reader, rest.first(n));
      found.insert(found.end(), piece.begin(), piece.end());
      rest = rest.subspan(n);
    }
    ASSERT_EQ(found, all) << "round " << round;
    EXPECT_EQ(reader.bad_frames(), 0u);
    EXPECT_EQ(reader.skipped_bytes(), 0u);
  }
}

// damage costs the frame it hit.
TEST(Frames, R23_EveryFlippedBitCostsAtMostItsFrame) {
  const Bytes stream = stream_of(3);  // 28, 29 and 30 bytes
  for (std::size_t bit = 0; bit < 8 * stream.size(); ++bit) {
    Bytes damaged = stream;
    damaged[bit / 8] = static_cast<std::uint8_t>(damaged[bit / 8] ^ (1u << bit % 8));
    const std::uint32_t hit = bit < 8 * 28 ? 0 : bit < 8 * 57 ? 1 : 2;
    FrameReader reader;
    const auto found = sequences(reader, damaged);
    ASSERT_EQ(found.size(), 2u) << "bit " << bit;
    for (const std::uint32_t sequence : found) EXPECT_NE(sequence, hit);
  }
}

// F-12: a length is believed only with its checksum, and only up to what was agreed.
TEST(Frames, F12_HostileLengthsCostOneFrameAndNoMemory) {
  for (const std::uint32_t length : {0u, 1u, 4097u, 0x8000'0000u, 0xFFFF'FFFFu}) {
    FrameReader reader;
    reader.limit_payload(4096);
    Bytes stream(SCP_HEADER_BYTES);
    const scp_header header{SCP_VERSION, SCP_CHANNEL_PAGE, SCP_PAGE_DATA, 7, 9, length};
    scp_put_header(stream.data(), &header);
    stream.insert(stream.end(), 40, std::uint8_t{0xA5});
    append_request(SCP_HEARTBEAT, 1, 2, {}, stream);
    EXPECT_EQ(sequences(reader, stream), std::vector<std::uint32_t>{1}) << length;
    EXPECT_EQ(reader.bad_frames(), 1u) << length;
  }
}

TEST(Frames, AGivenUpFrameReturnsWhatItSwallowed) {
  Bytes stream;
  append_request(SCP_ABORT, 1, 1, Bytes(200), stream);
  stream.resize(60);  // cut
  append_request(SCP_HEARTBEAT, 2, 2, {}, stream);
  FrameReader reader;
  EXPECT_TRUE(sequences(reader, stream).empty());
  reader.give_up();
  EXPECT_EQ(sequences(reader, {}), std::vector<std::uint32_t>{2});
}

TEST(SequenceWindow, TellsGapsLateAndRepeatedFramesApart) {
  using Kind = Arrival::Kind;
  SequenceWindow window;
  EXPECT_EQ(window.take(0).kind, Kind::in_order);
  EXPECT_EQ(window.take(1).kind, Kind::in_order);
  EXPECT_EQ(window.take(1).kind, Kind::repeated);
  const Arrival ahead = window.take(5);
  EXPECT_EQ(ahead.kind, Kind::ahead);
  EXPECT_EQ(ahead.lost, 3u);
  EXPECT_EQ(window.take(3).kind, Kind::late);
  EXPECT_EQ(window.take(3).kind, Kind::repeated);
  EXPECT_EQ(window.take(0).kind, Kind::repeated);
  EXPECT_EQ(window.take(6).kind, Kind::in_order);
  window.restart();
  EXPECT_EQ(window.take(0).kind, Kind::in_order);
  EXPECT_EQ(window.take(0xFFFF'FFFF).kind, Kind::repeated) << "nothing was expected before the first";
}

TEST(SequenceWindow, WrapsAndForgetsBehindSixtyFour) {
  using Kind = Arrival::Kind;
  SequenceWindow window;
  window.take(0x7FFF'FFFF);
  window.take(0xFFFF'FFFE);
  EXPECT_EQ(window.take(0xFFFF'FFFF).kind, Kind::in_order);
  EXPECT_EQ(window.take(0).kind, Kind::in_order);
  EXPECT_EQ(window.take(100).lost, 99u);
  EXPECT_EQ(window.take(37).kind, Kind::late);
  EXPECT_EQ(window.take(36).kind, Kind::repeated);
}

}  // namespace
}  // namespace steadycell::protocol
