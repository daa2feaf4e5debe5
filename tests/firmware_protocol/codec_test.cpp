#include <gtest/gtest.h>

#include <numeric>
#include <rapidcheck.h>
#include <string_view>

#include "firmware_protocol/frames.h"

using frames::Bytes;

namespace {

std::uint32_t crc(const Bytes& bytes) { return scp_crc32c(0, bytes.data(), bytes.size()); }

Bytes ascending(std::size_t n) {
  Bytes bytes(n);
  std::iota(bytes.begin(), bytes.end(), std::uint8_t{0});
  return bytes;
}

Bytes good(std::uint32_t sequence, std::size_t n = 40) {
  return frames::encode(SCP_CHANNEL_PAGE, SCP_PAGE_DATA, sequence, 9, ascending(n));
}

Bytes joined(std::initializer_list<Bytes> parts) {
  Bytes all;
  for (const Bytes& part : parts) all.insert(all.end(), part.begin(), part.end());
  return all;
}

}  // namespace

// RFC 3720 appendix B.4; the value of the nine digits is the check value that the CRC catalogues give.
TEST(Crc32c, GivesTheValuesOfTheRfc) {
  constexpr std::string_view digits = "123456789";
  EXPECT_EQ(crc(Bytes(digits.begin(), digits.end())), 0xE3069283u);
  EXPECT_EQ(crc(Bytes(32, 0x00)), 0x8A9136AAu);
  EXPECT_EQ(crc(Bytes(32, 0xFF)), 0x62A8AB43u);
  EXPECT_EQ(crc(ascending(32)), 0x46DD794Eu);
  EXPECT_EQ(crc({}), 0u);
}

TEST(Crc32c, IsTheBitwiseDivisionForAnyLengthAndStart) {
  EXPECT_TRUE(rc::check("against the polynomial, in two pieces", [](const Bytes& bytes, std::size_t cut) {
    std::uint32_t want = ~0u;
    for (const std::uint8_t byte : bytes) {
      want ^= byte;
      for (int bit = 0; bit < 8; ++bit) want = (want >> 1) ^ (want & 1 ? 0x82F63B78u : 0u);
    }
    cut = bytes.empty() ? 0 : cut % bytes.size();
    const std::uint32_t first = scp_crc32c(0, bytes.data(), cut);
    RC_ASSERT(scp_crc32c(first, bytes.data() + cut, bytes.size() - cut) == ~want);
  }));
}

TEST(Numbers, AreLittleEndian) {
  std::uint8_t at[8];
  scp_put_u64(at, 0x0807060504030201u);
  EXPECT_EQ(Bytes(at, at + 8), (Bytes{1, 2, 3, 4, 5, 6, 7, 8}));
  EXPECT_EQ(scp_get_u16(at), 0x0201u);
  EXPECT_EQ(scp_get_u32(at), 0x04030201u);
  EXPECT_EQ(scp_get_u64(at), 0x0807060504030201u);
}

TEST(Parser, WaitsForTheEndOfEveryPrefix) {
  const Bytes frame = good(1), next = good(2);
  for (std::size_t cut = 0; cut < frame.size(); ++cut) {
    frames::Collector parser;
    parser.feed(std::span(frame).first(cut));
    EXPECT_TRUE(parser.found.empty()) << cut;
    parser.feed(std::span(frame).subspan(cut));
    EXPECT_EQ(parser.found.size(), 1u) << cut;
    EXPECT_EQ(parser.parser.bad_frames, 0u) << cut;
  }
}

TEST(Parser, FindsTheFramesBehindEveryPrefixThatIsNeverCompleted) {
  const Bytes frame = good(1), next = good(2);
  for (std::size_t cut = 1; cut < frame.size(); ++cut) {
    frames::Collector parser;
    parser.feed(std::span(frame).first(cut));
    parser.feed(next);
    parser.give_up_all();
    ASSERT_EQ(parser.found.size(), 1u) << cut;
    EXPECT_EQ(parser.found[0].header.sequence, 2u) << cut;
    EXPECT_EQ(parser.parser.skipped_bytes, cut);
  }
}

TEST(Parser, RefusesEveryFlippedBitAndFindsTheNextFrame) {
  const Bytes frame = good(1), next = good(2);
  for (std::size_t bit = 0; bit < frame.size() * 8; ++bit) {
    Bytes damaged = frame;
    damaged[bit / 8] = static_cast<std::uint8_t>(damaged[bit / 8] ^ 1u << bit % 8);
    for (const std::size_t piece : {std::size_t{1}, std::size_t{7}, std::size_t{4096}}) {
      frames::Collector parser;
      parser.feed_in_pieces(joined({damaged, next}), piece);
      parser.give_up_all();
      ASSERT_EQ(parser.found.size(), 1u) << "bit " << bit << " piece " << piece;
      EXPECT_EQ(parser.found[0].header.sequence, 2u);
      EXPECT_EQ(parser.parser.skipped_bytes, frame.size());
      // A wrong magic is no frame at all; any other flip makes a bad one.
      EXPECT_EQ(parser.parser.bad_frames, bit / 8 < 4 ? 0u : 1u) << "bit " << bit;
    }
  }
}

TEST(Parser, GivesTheSameFramesForAnyChunking) {
  EXPECT_TRUE(rc::check("any chunking", [] {
    Bytes stream;
    std::vector<std::uint32_t> sent;
    const auto frame_count = *rc::gen::inRange(1, 8);
    for (int i = 0; i < frame_count; ++i) {
      const auto noise = *rc::gen::resize(30, rc::gen::arbitrary<Bytes>());
      const bool damage = *rc::gen::arbitrary<bool>();
      Bytes frame = good(static_cast<std::uint32_t>(i), static_cast<std::size_t>(*rc::gen::inRange(0, 200)));
      if (damage) frame[static_cast<std::size_t>(*rc::gen::inRange<std::size_t>(4, frame.size()))] ^= 0x10;
      else sent.push_back(static_cast<std::uint32_t>(i));
      stream.insert(stream.end(), noise.begin(), noise.end());
      stream.insert(stream.end(), frame.begin(), frame.end());
    }
    frames::Collector whole, pieces;
    whole.feed(stream);
    whole.give_up_all();
    for (std::span<const std::uint8_t> left(stream); !left.empty();) {
      const auto n = std::min<std::size_t>(left.size(), *rc::gen::inRange<std::size_t>(1, 300));
      pieces.feed(left.first(n));
      left = left.subspan(n);
    }
    pieces.give_up_all();
    RC_ASSERT(whole.found == pieces.found);
    RC_ASSERT(whole.parser.bad_frames == pieces.parser.bad_frames);
    RC_ASSERT(whole.parser.skipped_bytes == pieces.parser.skipped_bytes);
    std::vector<std::uint32_t> got;
    for (const frames::Frame& f : whole.found) got.push_back(f.header.sequence);
    RC_ASSERT(got == sent);
  }));
}

TEST(Parser, ReportsDuplicatesAndAnyOrderAsTheyCome) {
  frames::Collector parser;
  parser.feed(joined({good(2), good(1), good(1)}));
  ASSERT_EQ(parser.found.size(), 3u);
  EXPECT_EQ(parser.found[0].header.sequence, 2u);
  EXPECT_EQ(parser.found[1], parser.found[2]);
}

TEST(Parser, BoundsLengthsByItsMaximum) {
  for (const std::uint32_t length : {0x80000000u, 0xFFFFFFFFu, 131073u, 41u}) {
    Bytes bad(SCP_HEADER_BYTES);
    const scp_header header{SCP_VERSION, SCP_CHANNEL_PAGE, SCP_PAGE_DATA, 0, 1, length};
    scp_put_header(bad.data(), &header);
    frames::Collector parser(40);
    parser.feed(joined({bad, good(5)}));
    ASSERT_EQ(parser.found.size(), 1u) << length;
    EXPECT_EQ(parser.parser.bad_frames, 1u);
  }
  frames::Collector parser(40);
  parser.feed(good(0, 0));
  parser.feed(good(1, 40));
  EXPECT_EQ(parser.found.size(), 2u);
}

TEST(Parser, RefusesChannelsThatDoNotExist) {
  frames::Collector parser;
  parser.feed(joined({frames::encode(SCP_CHANNELS, SCP_EVENT, 0, 0, {}), good(1)}));
  ASSERT_EQ(parser.found.size(), 1u);
  EXPECT_EQ(parser.parser.bad_frames, 1u);
}

TEST(Parser, FindsAFrameInsideABrokenOne) {
  const Bytes inner = good(7, 12);
  Bytes outer = frames::encode(SCP_CHANNEL_PAGE, SCP_PAGE_DATA, 1, 9, joined({ascending(9), inner, inner, ascending(3)}));
  outer.back() ^= 1;
  for (std::size_t piece = 1; piece <= outer.size(); ++piece) {
    frames::Collector parser;
    parser.feed_in_pieces(outer, piece);
    parser.give_up_all();
    EXPECT_EQ(parser.found.size(), 2u) << piece;
    EXPECT_EQ(parser.untaken, 0u);
  }
}

TEST(Parser, TakesRandomBytesAndThenStillFindsAFrame) {
  EXPECT_TRUE(rc::check("noise in front", [](const Bytes& noise) {
    frames::Collector parser;
    parser.feed(noise);
    parser.feed(good(3));
    parser.give_up_all();
    RC_ASSERT(parser.found.size() == 1u);
    RC_ASSERT(parser.untaken == 0u);
    RC_ASSERT(parser.parser.skipped_bytes == noise.size());
  }));
}
