#include "vote/majority.h"

#include <gtest/gtest.h>
#include <rapidcheck.h>

#include "vote/passes.h"
#include "vote/plain.h"
#include "vote/words.h"

namespace steadycell::vote {
namespace {

TEST(Majority, EvenSplitKeepsFirstPassAndIsUnsure) {
  const Bytes first{0b1010'0000}, second{0b0010'0001};
  const std::vector<ByteSpan> passes{first, second};
  Bytes out(1), unsure(1);
  majority(passes, out, unsure);
  EXPECT_EQ(out[0], 0b1010'0000);
  EXPECT_EQ(unsure[0], 0b1000'0001);
}

TEST(Majority, OnePassIsItselfAndSure) {
  const Bytes only{0x5A, 0xFF, 0x00};
  const std::vector<ByteSpan> passes{only};
  Bytes out(3), unsure(3, 0xEE);
  majority(passes, out, unsure);
  EXPECT_EQ(out, only);
  EXPECT_EQ(unsure, Bytes(3, 0));
}

TEST(Majority, OneReadShortOfHalfLoses) {
  // 255 passes, bit 0 read as 1 in 127, bit 1 in 128, bit 2 in all, bit 3 in one.
  std::vector<Bytes> reads(255, Bytes{0});
  for (std::size_t pass = 0; pass < 255; ++pass) {
    reads[pass][0] =
        static_cast<std::uint8_t>((pass < 127 ? 1 : 0) | (pass < 128 ? 2 : 0) | 4 | (pass == 200 ? 8 : 0));
  }
  Bytes out(1), unsure(1);
  majority(spans_of(reads), out, unsure);
  EXPECT_EQ(out[0], 0b0110);
  EXPECT_EQ(unsure[0], 0b1011);
}

using Kernel = void (*)(std::span<const ByteSpan>, MutableByteSpan, MutableByteSpan);

// The page, its bytes behind the end, and nothing else are what a kernel may touch.
void expect_as_plain(Kernel kernel, std::size_t count, std::size_t bytes, std::uint64_t seed) {
  const std::vector<Bytes> reads = noisy_reads(count, bytes, seed);
  Bytes out(bytes + 1, 0xA5), unsure(bytes + 1, 0xA5), plain_out(bytes), plain_unsure(bytes);
  kernel(spans_of(reads), MutableByteSpan(out).first(bytes), MutableByteSpan(unsure).first(bytes));
  plain::majority(spans_of(reads), plain_out, plain_unsure);
  EXPECT_EQ(out.back(), 0xA5);
  EXPECT_EQ(unsure.back(), 0xA5);
  out.pop_back();
  unsure.pop_back();
  EXPECT_EQ(out, plain_out) << count << " passes of " << bytes << " bytes";
  EXPECT_EQ(unsure, plain_unsure) << count << " passes of " << bytes << " bytes";
}

// One body for every kernel; more of them come with other instruction sets.
class EveryKernel : public ::testing::TestWithParam<Kernel> {};

TEST_P(EveryKernel, EqualsThePlainLoopForAllCountsAndTails) {
  for (std::size_t count = 1; count <= 33; ++count) {
    for (std::size_t tail = 0; tail <= 63; ++tail) {
      expect_as_plain(GetParam(), count, tail, count * 64 + tail);                // shorter than a chunk
      expect_as_plain(GetParam(), count, kChunkBytes + tail, count * 64 + tail);  // behind whole chunks
    }
  }
}

TEST_P(EveryKernel, EqualsThePlainLoopForManyPasses) {
  for (const std::size_t count : {63U, 64U, 65U, 127U, 128U, 129U, 254U, 255U})
    expect_as_plain(GetParam(), count, 197, count);
}

INSTANTIATE_TEST_SUITE_P(Majority, EveryKernel, ::testing::Values(&plain::majority, &majority));

TEST(Majority, PropertyHoldsForAnyReads) {
  EXPECT_TRUE(rc::check("bit-sliced equals plain", [] {
    const auto bytes = *rc::gen::inRange<std::size_t>(0, 200);
    const auto count = *rc::gen::inRange<std::size_t>(1, 256);
    const auto seed = *rc::gen::arbitrary<std::uint64_t>();
    const std::vector<Bytes> reads = noisy_reads(count, bytes, seed);
    Bytes out(bytes), unsure(bytes), plain_out(bytes), plain_unsure(bytes);
    majority(spans_of(reads), out, unsure);
    plain::majority(spans_of(reads), plain_out, plain_unsure);
    RC_ASSERT(out == plain_out);
    RC_ASSERT(unsure == plain_unsure);
  }));
}

}  // namespace
}  // namespace steadycell::vote
