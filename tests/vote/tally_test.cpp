#include "vote/tally.h"

#include <gtest/gtest.h>
#include <rapidcheck.h>

#include <algorithm>

#include "vote/majority.h"
#include "vote/passes.h"
#include "vote/plain.h"

namespace steadycell::vote {
namespace {

struct Voted {
  PageVote vote;
  Bytes out, unsure;
};
Voted voted(const Tally& tally, std::uint32_t page) {
  Voted result{{}, Bytes(tally.page_bytes()), Bytes(tally.page_bytes())};
  result.vote = tally.majority(page, result.out, result.unsure);
  return result;
}

Tally tally_of(const std::vector<Bytes>& reads, std::uint32_t max_votes) {
  Tally tally(1, static_cast<std::uint32_t>(reads.front().size()), max_votes);
  for (const Bytes& read : reads) tally.add(0, read);
  return tally;
}

std::uint32_t dissent_of(const Tally& tally, std::uint32_t page, std::size_t bit) {
  std::uint32_t dissent = 0;
  Bytes plane(tally.page_bytes());
  for (std::uint32_t j = 0; j < 7; ++j) {
    tally.dissent(page, j, plane);
    dissent |= std::uint32_t{plane[bit / 8] >> (bit % 8) & 1U} << j;
  }
  return dissent;
}

TEST(Tally, CountsTheOnesOfEachBit) {
  const Tally tally = tally_of({{0b001, 0x80}, {0b011, 0}, {0b111, 0}}, 3);
  EXPECT_EQ(tally.ones(0, 0), 3U);
  EXPECT_EQ(tally.ones(0, 1), 2U);
  EXPECT_EQ(tally.ones(0, 2), 1U);
  EXPECT_EQ(tally.ones(0, 15), 1U);
  const Voted result = voted(tally, 0);
  EXPECT_EQ(result.out, (Bytes{0b011, 0}));
  EXPECT_EQ(result.unsure, (Bytes{0b110, 0x80}));
  EXPECT_EQ(result.vote, (PageVote{.votes = 3, .unstable_bits = 3, .tied_bits = 0, .dissents = 3}));
}

// F-48: the rule for ties is fixed, and the margins show them.
TEST(Tally, F48_TieKeepsTheFirstVoteAndHasNoMargin) {
  const Tally tally = tally_of({{0b0011}, {0b0001}, {0b0101}, {0b0111}}, 4);
  const Voted result = voted(tally, 0);
  EXPECT_EQ(result.out[0], 0b0011);  // bits 1 and 2 are split two to two; the first vote read 1 and 0
  EXPECT_EQ(result.vote.tied_bits, 2U);
  EXPECT_EQ(4 - 2 * dissent_of(tally, 0, 1), 0U);
  EXPECT_EQ(4 - 2 * dissent_of(tally, 0, 2), 0U);
  EXPECT_EQ(4 - 2 * dissent_of(tally, 0, 0), 4U);
}

// F-48: passes of unequal length. The second pass ended after page 0, the third could not read page 1.
TEST(Tally, F48_PagesThatWereNotReadAbstain) {
  Tally tally(3, 1, 3);
  tally.add(0, Bytes{1});
  tally.add(1, Bytes{1});
  tally.add(0, Bytes{0});
  tally.add(0, Bytes{0});
  EXPECT_EQ(tally.votes(0), 3U);
  EXPECT_EQ(tally.votes(1), 1U);
  EXPECT_EQ(tally.votes(2), 0U);
  EXPECT_EQ(voted(tally, 0).out[0], 0);
  EXPECT_EQ(voted(tally, 1).out[0], 1);
  EXPECT_EQ(voted(tally, 1).vote.unstable_bits, 0U);

  Bytes out{0x77}, unsure{0x77};
  EXPECT_EQ(tally.majority(2, out, unsure), PageVote{});
  EXPECT_EQ(out[0], 0x77) << "a page without votes leaves the buffer alone";
  EXPECT_EQ(unsure[0], 0x77);
}

TEST(Tally, FirstVoteIsThatOfTheFirstPassThatReadThePage) {
  Tally tally(2, 1, 2);
  tally.add(1, Bytes{0x0F});
  tally.add(0, Bytes{0xF0});
  tally.add(1, Bytes{0xFF});
  Bytes first(1);
  tally.first_vote(1, first);
  EXPECT_EQ(first[0], 0x0F);
}

TEST(Tally, ClearForgetsEverything) {
  Tally tally = tally_of({{0xFF}, {0x00}, {0x0F}}, 3);
  tally.clear();
  tally.add(0, Bytes{0x10});
  EXPECT_EQ(voted(tally, 0).out[0], 0x10);
  EXPECT_EQ(voted(tally, 0).vote.unstable_bits, 0U);
}

TEST(Tally, EqualsThePlainLoopForEveryNumberOfVotesAndTail) {
  for (std::size_t count = 1; count <= 33; ++count) {
    for (std::size_t tail = 1; tail <= 64; ++tail) {
      const std::vector<Bytes> reads = noisy_reads(count, 64 + tail, 1000 * count + tail);
      const Voted result = voted(tally_of(reads, static_cast<std::uint32_t>(count)), 0);
      Bytes out(64 + tail), unsure(64 + tail);
      plain::majority(spans_of(reads), out, unsure);
      ASSERT_EQ(result.out, out) << count << " votes, tail " << tail;
      ASSERT_EQ(result.unsure, unsure) << count << " votes, tail " << tail;
      ASSERT_EQ(result.vote.unstable_bits, count_ones(unsure));
    }
  }
}

TEST(Tally, HoldsTwoHundredAndFiftyFiveVotes) {
  const std::vector<Bytes> reads = noisy_reads(255, 75, 3);
  const Tally tally = tally_of(reads, 255);
  std::uint64_t dissents = 0;
  for (std::size_t bit = 0; bit < 75 * 8; ++bit) {
    const std::uint32_t k = plain::ones(spans_of(reads), bit);
    ASSERT_EQ(tally.ones(0, bit), k);
    ASSERT_EQ(dissent_of(tally, 0, bit), std::min(k, 255 - k));
    dissents += std::min(k, 255 - k);
  }
  EXPECT_EQ(voted(tally, 0).vote.dissents, dissents);
}

TEST(Tally, DissentIsTheSmallerSideForAnyReads) {
  EXPECT_TRUE(rc::check([] {
    const auto count = *rc::gen::inRange<std::uint32_t>(1, 256);
    const std::vector<Bytes> reads = noisy_reads(count, 9, *rc::gen::arbitrary<std::uint64_t>());
    const Tally tally = tally_of(reads, count);
    std::uint32_t ties = 0;
    for (std::size_t bit = 0; bit < 72; ++bit) {
      const std::uint32_t k = plain::ones(spans_of(reads), bit);
      RC_ASSERT(dissent_of(tally, 0, bit) == std::min(k, count - k));
      ties += 2 * k == count ? 1 : 0;
    }
    RC_ASSERT(voted(tally, 0).vote.tied_bits == ties);
    for (std::uint32_t plane = dissent_planes(count); plane < 7; ++plane) {
      Bytes bits(9);
      tally.dissent(0, plane, bits);
      RC_ASSERT(count_ones(bits) == 0U);
    }
  }));
}

// Merging the tallies of two runs is as if the second run had gone on in the first, whoever abstained where.
TEST(Tally, MergeEqualsCountingInOneGo) {
  EXPECT_TRUE(rc::check([] {
    constexpr std::uint32_t kPages = 3, kBytes = 70;
    const auto most = *rc::gen::inRange<std::uint32_t>(1, 40);
    Tally whole(kPages, kBytes, 2 * most), left(kPages, kBytes, 2 * most), right(kPages, kBytes, most);
    for (std::uint32_t page = 0; page < kPages; ++page) {
      const auto before = *rc::gen::inRange<std::uint32_t>(0, most + 1);
      const auto after = *rc::gen::inRange<std::uint32_t>(0, most + 1);
      const std::vector<Bytes> reads = noisy_reads(before + after, kBytes, *rc::gen::arbitrary<std::uint64_t>());
      for (std::size_t read = 0; read < reads.size(); ++read) {
        whole.add(page, reads[read]);
        (read < before ? left : right).add(page, reads[read]);
      }
    }
    left.merge(right);
    for (std::uint32_t page = 0; page < kPages; ++page) {
      const Voted one = voted(whole, page), two = voted(left, page);
      RC_ASSERT(one.vote == two.vote);
      RC_ASSERT(one.out == two.out);
      RC_ASSERT(one.unsure == two.unsure);
    }
  }));
}

TEST(Tally, SaysBeforehandWhatItTakes) {
  // 512 pages of 17664 bytes: 3 planes for 7 votes and the first vote, all a multiple of 64 bytes.
  EXPECT_EQ(Tally::bytes(512, 17664, 7), 512U * (1 + 4 * 17664));
  EXPECT_EQ(Tally::bytes(1, 1, 255), 1U + 9 * 64);
}

}  // namespace
}  // namespace steadycell::vote
