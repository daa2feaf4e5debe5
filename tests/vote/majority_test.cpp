#include "vote/majority.h"

#include <gtest/gtest.h>
#include <rapidcheck.h>

#include "vote/passes.h"
#include "vote/path.h"
#include "vote/plain.h"

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

// Every path that this processor has; the best one is back in force at the end.
class EveryPath : public ::testing::TestWithParam<Path> {
 protected:
  EveryPath() { use(GetParam()); }
  ~EveryPath() override { use(std::nullopt); }
};

// A unit of equal pages between bytes that nobody may touch, voted with or without margins and held against the plain loop.
void expect_as_plain(std::size_t votes, std::size_t pages, std::size_t page_bytes, std::uint64_t seed, bool margins) {
  SCOPED_TRACE(::testing::Message() << votes << " passes, " << pages << " pages of " << page_bytes << " bytes"
                                    << (margins ? ", margins" : ""));
  const std::size_t bytes = pages * page_bytes;
  const std::vector<Bytes> reads = noisy_reads(votes, bytes, seed);
  Bytes plain_voted(bytes), plain_unsure(bytes);
  plain::majority(spans_of(reads), plain_voted, plain_unsure);

  std::vector<Bytes> written(2 + (margins ? dissent_planes(static_cast<std::uint32_t>(votes)) : 0), Bytes(bytes + 2, 0xA5));
  std::vector<MutableByteSpan> into;
  for (Bytes& span : written) into.push_back(MutableByteSpan(span).subspan(1, bytes));
  std::vector<PageVote> counts(pages);
  vote_unit(spans_of(reads), {into[0], into[1], counts, std::span(into).subspan(2)});
  for (Bytes& span : written) {
    ASSERT_EQ(span.front(), 0xA5);
    ASSERT_EQ(span.back(), 0xA5);
    span = Bytes(span.begin() + 1, span.end() - 1);
  }
  ASSERT_EQ(written[0], plain_voted);
  ASSERT_EQ(written[1], plain_unsure);

  std::vector<PageVote> expected(pages, PageVote{.votes = static_cast<std::uint32_t>(votes)});
  for (std::size_t bit = 0; bit < bytes * 8; ++bit) {
    const auto k = plain::ones(spans_of(reads), bit), n = static_cast<std::uint32_t>(votes);
    PageVote& page = expected[bit / 8 / page_bytes];
    page.unstable_bits += k != 0 && k != n ? 1 : 0;
    page.tied_bits += 2 * k == n ? 1 : 0;
    if (!margins) continue;
    std::uint32_t dissent = 0;
    for (std::size_t plane = 2; plane < written.size(); ++plane)
      dissent |= std::uint32_t{written[plane][bit / 8] >> (bit % 8) & 1U} << (plane - 2);
    ASSERT_EQ(dissent, std::min(k, n - k)) << "bit " << bit;
    page.dissents += dissent;
  }
  for (std::size_t page = 0; page < pages; ++page) ASSERT_EQ(counts[page], expected[page]) << "page " << page;
}

TEST_P(EveryPath, EqualsThePlainLoopForAllCountsAndTails) {
  for (std::size_t votes = 1; votes <= 33; ++votes) {
    for (std::size_t tail = 0; tail <= 63; ++tail) {
      const bool margins = tail % 2 == votes / 2 % 2;
      if (tail > 0) expect_as_plain(votes, 1, tail, votes * 64 + tail, margins);  // shorter than a vector
      expect_as_plain(votes, 1, 64 + tail, votes * 64 + tail, !margins);          // behind a whole one
    }
  }
}

TEST_P(EveryPath, EqualsThePlainLoopForManyPasses) {
  for (const std::size_t votes : {63U, 64U, 65U, 127U, 128U, 129U, 254U, 255U}) {
    expect_as_plain(votes, 1, 197, votes, false);
    expect_as_plain(votes, 1, 197, votes, true);
  }
}

// Odd page sizes: each page is counted alone and the pages do not run into each other.
TEST_P(EveryPath, CountsEachPageOfAUnit) {
  for (const std::size_t page_bytes : {1U, 63U, 65U, 127U, 528U, 2111U, 2112U}) {
    for (const std::size_t votes : {3U, 4U, 15U, 17U}) {
      expect_as_plain(votes, 3, page_bytes, page_bytes, false);
      expect_as_plain(votes, 3, page_bytes, page_bytes, true);
    }
  }
}

// The counters of bits are widened now and then: a page long enough, with every bit wavering.
TEST_P(EveryPath, CountsEveryBitOfALongPage) {
  constexpr std::size_t kBytes = 17664;
  const std::vector<Bytes> reads{Bytes(kBytes, 0xFF), Bytes(kBytes, 0x00), Bytes(kBytes, 0x00), Bytes(kBytes, 0xFF)};
  Bytes voted(kBytes), unsure(kBytes), low(kBytes), high(kBytes);
  const std::array<MutableByteSpan, 2> dissent{low, high};
  PageVote counts;
  vote_unit(spans_of(reads), {voted, unsure, std::span(&counts, 1), dissent});
  EXPECT_EQ(counts, (PageVote{.votes = 4, .unstable_bits = 8 * kBytes, .tied_bits = 8 * kBytes, .dissents = 16 * kBytes}));
  EXPECT_EQ(voted, reads[0]);
  EXPECT_EQ(unsure, Bytes(kBytes, 0xFF));
}

TEST_P(EveryPath, NothingToVoteOnIsNothing) { vote_unit(std::vector<ByteSpan>{ByteSpan()}, {}); }

INSTANTIATE_TEST_SUITE_P(Majority, EveryPath, ::testing::ValuesIn(paths()),
                         [](const auto& test) { return std::string(to_text(test.param)); });

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
