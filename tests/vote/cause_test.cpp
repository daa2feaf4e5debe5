#include "vote/cause.h"

#include <gtest/gtest.h>

#include <algorithm>

namespace steadycell::vote {
namespace {

LaneCounts lanes(std::initializer_list<std::uint64_t> bits) {
  LaneCounts counts;
  counts.lanes = static_cast<std::uint32_t>(bits.size());
  std::copy(bits.begin(), bits.end(), counts.bits.begin());
  return counts;
}

// Pearson's chi-square over eight lanes, 7 degrees of freedom, worked by hand with a table of the distribution.
TEST(LaneEvidence, NamesTheLaneThatHoldsMostOfTheBits) {
  const LaneEvidence evidence = lane_evidence(lanes({12, 9, 11, 10, 13, 8, 97, 10}));
  EXPECT_NEAR(evidence.chi_square, 309.435, 0.001);
  EXPECT_NEAR(evidence.p, 5.8e-63, 0.1e-63);
  EXPECT_NEAR(evidence.share, 0.57, 0.005);
  EXPECT_EQ(evidence.lane, 6U);
}

TEST(LaneEvidence, AccusesNoLaneWhenAllAreAlike) {
  const LaneEvidence evidence = lane_evidence(lanes({21, 19, 25, 18, 22, 24, 20, 21}));
  EXPECT_NEAR(evidence.chi_square, 1.859, 0.001);
  EXPECT_NEAR(evidence.p, 0.967, 0.001);
  EXPECT_FALSE(evidence.lane);
}

TEST(LaneEvidence, SuspicionIsNotEvidence) {
  const LaneEvidence evidence = lane_evidence(lanes({14, 11, 9, 12, 10, 13, 22, 11}));
  EXPECT_NEAR(evidence.chi_square, 9.059, 0.001);
  EXPECT_NEAR(evidence.p, 0.248, 0.001);
  EXPECT_FALSE(evidence.lane);
}

// 5000 bits with 20 % on one lane: certainly uneven, yet no single contact explains it.
TEST(LaneEvidence, AskForAnEffectNotOnlySignificance) {
  const LaneEvidence evidence = lane_evidence(lanes({1000, 571, 571, 571, 571, 572, 572, 572}));
  EXPECT_LT(evidence.p, 1e-9);
  EXPECT_FALSE(evidence.lane);
}

// Below 5 expected a lane the exact tail decides: 8 P(X >= 7 of 7, p = 1/8) = 8^-6, and 8^-2 for three bits.
TEST(LaneEvidence, FewBitsAreJudgedByTheExactTail) {
  EXPECT_NEAR(lane_evidence(lanes({0, 0, 7, 0, 0, 0, 0, 0})).p, 1.0 / 262144, 1e-9);
  EXPECT_EQ(lane_evidence(lanes({0, 0, 7, 0, 0, 0, 0, 0})).lane, 2U);
  EXPECT_NEAR(lane_evidence(lanes({0, 0, 3, 0, 0, 0, 0, 0})).p, 1.0 / 64, 1e-9);
  EXPECT_FALSE(lane_evidence(lanes({0, 0, 3, 0, 0, 0, 0, 0})).lane);
}

TEST(LaneEvidence, NoBitsAreNoEvidence) {
  EXPECT_EQ(lane_evidence(LaneCounts{}).p, 1);
  EXPECT_FALSE(lane_evidence(LaneCounts{}).lane);
}

TEST(LaneCounts, LaneIsTheBitInTheByteAndOddBytesAreTheUpperLanesOfAWideBus) {
  const Bytes mask{0b0000'0001, 0b1000'0000, 0b0000'0001, 0};
  LaneCounts narrow, wide;
  wide.lanes = 16;
  narrow.add(mask);
  wide.add(mask);
  EXPECT_EQ(narrow.bits[0], 2U);
  EXPECT_EQ(narrow.bits[7], 1U);
  EXPECT_EQ(wide.bits[0], 2U);
  EXPECT_EQ(wide.bits[15], 1U);
  EXPECT_EQ(wide.total(), 3U);
}

TEST(CauseOf, PageFollowsItsBlockOnlyWhereItsOwnBitsPointThere) {
  const LaneEvidence block = lane_evidence(lanes({1, 2, 1, 0, 90, 1, 2, 1}));
  ASSERT_EQ(block.lane, 4U);
  EXPECT_EQ(cause_of(lanes({0, 0, 0, 0, 2, 1, 0, 0}), block), Cause::one_lane);
  EXPECT_EQ(cause_of(lanes({0, 0, 0, 0, 1, 1, 0, 0}), block), Cause::weak_cells);
  EXPECT_EQ(cause_of(lanes({0, 0, 0, 0, 2, 1, 0, 0}), LaneEvidence{}), Cause::weak_cells);
  EXPECT_EQ(cause_of(lanes({9, 0, 0, 0, 0, 0, 0, 0}), block), Cause::one_lane) << "its own evidence is enough";
  EXPECT_EQ(cause_of(LaneCounts{}, block), Cause::none);
}

TEST(Notes, EarlyBytesAndOneDirection) {
  Bytes unsure(64), voted(64);
  for (std::size_t at = 0; at < 8; ++at) unsure[at] = 0x10;
  EXPECT_TRUE(notes_on(unsure, voted).first_bytes);
  EXPECT_TRUE(notes_on(unsure, voted).only_0_to_1);
  EXPECT_FALSE(notes_on(unsure, voted).only_1_to_0);
  voted[3] = 0xFF;
  EXPECT_FALSE(notes_on(unsure, voted).only_0_to_1);
  unsure[63] = 1;
  EXPECT_FALSE(notes_on(unsure, voted).first_bytes);
  std::fill(voted.begin(), voted.end(), std::uint8_t{0xFF});
  EXPECT_TRUE(notes_on(unsure, voted).only_1_to_0);
}

TEST(Notes, FewBitsSayNothing) {
  Bytes unsure(64), voted(64);
  unsure[0] = 0b111;
  const Notes notes = notes_on(unsure, voted);
  EXPECT_FALSE(notes.first_bytes);
  EXPECT_FALSE(notes.only_0_to_1);
}

TEST(Cause, TextComesBack) {
  for (const Cause cause : {Cause::none, Cause::weak_cells, Cause::one_lane}) {
    EXPECT_EQ(parse_cause(to_text(cause)), cause);
  }
  EXPECT_FALSE(parse_cause("gremlins"));
}

}  // namespace
}  // namespace steadycell::vote
