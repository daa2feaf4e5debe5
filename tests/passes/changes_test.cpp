#include "passes/changes.h"

#include <gtest/gtest.h>

#include <random>

#include "passes/sample.h"

namespace steadycell::passes {
namespace {

Bytes list_of(ByteSpan a, ByteSpan b, std::size_t piece) {
  ChangeWriter writer;
  writer.begin();
  for (std::size_t at = 0; at < a.size(); at += piece) {
    const std::size_t bytes = std::min(piece, a.size() - at);
    writer.add(a.subspan(at, bytes), b.subspan(at, bytes));
  }
  return {writer.list().begin(), writer.list().end()};
}

// The bytes of docs/capture.md: runs in LEB128 (DWARF 5, 7.6), whose examples 2, 127, 128, 129 and 12857 are that standard's.
TEST(Changes, AreRunsInLeb128AndWhatFollows) {
  for (const auto& [run, bytes] : {std::pair{2U, Bytes{0x02}}, {127U, Bytes{0x7F}}, {128U, Bytes{0x80, 0x01}}, {129U, Bytes{0x81, 0x01}},
                                   {12857U, Bytes{0xB9, 0x64}}}) {
    Bytes a(run + 2), b(run + 2), expected = bytes;
    b[run] = 0x21;
    expected.push_back(0x21);
    EXPECT_EQ(list_of(a, b, a.size()), expected);
    b[run + 1] = 0x03;
    expected.insert(expected.end(), {0x00, 0x03});
    EXPECT_EQ(list_of(a, b, 64), expected) << "in pieces";
  }
  EXPECT_TRUE(list_of(Bytes(1000), Bytes(1000), 100).empty());
}

// Whatever differs, however the two come in pieces, one read becomes the other.
TEST(Changes, TurnOneReadIntoTheOther) {
  std::mt19937 random(4);
  for (const double share : {0.0, 1e-3, 0.05, 1.0})
    for (const std::size_t size : {1U, 64U, 5000U}) {
      Bytes a(size), b;
      for (std::uint8_t& byte : a) byte = static_cast<std::uint8_t>(random());
      b = a;
      for (std::uint8_t& byte : b)
        if (std::generate_canonical<double, 32>(random) < share) byte = static_cast<std::uint8_t>(byte ^ (1U << random() % 8));
      const Bytes list = list_of(a, b, 700);
      for (const std::size_t piece : {size, std::size_t{1}, std::size_t{17}}) {
        Bytes turned = a;
        ChangeReader reader;
        ASSERT_TRUE(reader.begin(list));
        for (std::size_t at = 0; at < size; at += piece) {
          const std::size_t bytes = std::min(piece, size - at);
          ASSERT_TRUE(reader.apply(MutableByteSpan(turned).subspan(at, bytes), at + bytes == size)) << piece;
        }
        EXPECT_EQ(turned, b) << share << ", " << size << ", " << piece;
      }
    }
}

// The share of a unit that a list takes at 1e-4 is what a later pass may cost: 0.5 %.
TEST(Changes, CostLittle) {
  Geometry geometry = small_chip();
  geometry.page_bytes = 16384;
  geometry.pages_per_block = 64;
  const Bytes a = block_content(geometry, 0, 1), b = block_content(geometry, 0, 2, 1e-4);
  EXPECT_LT(list_of(a, b, 1 << 16).size(), a.size() / 200);
  EXPECT_GT(list_of(a, b, 1 << 16).size(), a.size() / 2000);
}

}  // namespace
}  // namespace steadycell::passes
