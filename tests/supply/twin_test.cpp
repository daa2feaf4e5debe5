#include "supply/twin.h"

#include <gtest/gtest.h>

#include "supply/board_model.h"

namespace steadycell::supply::test {
namespace {

Features run(std::uint64_t seed, Boot how = Boot::whole, double short_ohm = 1e9) {
  Random r(seed);
  Board board;
  FaultCircuit fault;
  fault.short_3V3_ohm = short_ohm;
  std::vector<Block> load;
  boot(load, r, board, 0.0225, 1.2, how, false);
  return features_of(simulate(board, {}, fault, load, r));
}

TEST(Twin, TwoRunsOfOneBoardFollowEachOther) {
  const Features twin = run(1);
  for (std::uint64_t seed = 2; seed < 6; ++seed) {
    const auto beside = compare(run(seed), twin);
    ASSERT_TRUE(beside);
    EXPECT_FALSE(beside->parts_s) << *beside->parts_s;
    EXPECT_LT(beside->distance, 0.05);
    EXPECT_TRUE(beside->differences.empty()) << beside->differences.front();
  }
}

TEST(Twin, SilentMemoryPartsWhereTheTwinReadsPages) {
  const Features twin = run(1);
  const auto beside = compare(run(2, Boot::memory_silent), twin);
  ASSERT_TRUE(beside && beside->parts_s);
  EXPECT_NEAR(*beside->parts_s, twin.first_dense_s, 0.03);
  EXPECT_EQ(beside->stage, "reads pages");
}

TEST(Twin, SoftShortPartsAtSwitchOn) {
  const auto beside = compare(run(2, Boot::whole, 33), run(1));
  ASSERT_TRUE(beside && beside->parts_s);
  EXPECT_LT(*beside->parts_s, 5e-3);
  EXPECT_EQ(beside->stage, "is being switched on");
  EXPECT_GT(beside->distance, 1);
}

TEST(Twin, IdleControllerPartsWhenTheTwinLeavesReset) {
  const auto beside = compare(run(2, Boot::no_clock), run(1));
  ASSERT_TRUE(beside && beside->parts_s);
  EXPECT_EQ(beside->stage, "comes out of reset and runs its ROM");
}

// The measure of a distance is what two runs of the twin differ by: another run of it stays near 1, a fault far beyond.
TEST(Twin, DistanceIsMeasuredInTheTwinsOwnRepeatability) {
  const std::vector<Features> runs{run(1), run(2), run(3)};
  const auto same = compare(run(4), runs);
  ASSERT_TRUE(same);
  EXPECT_FALSE(same->assumed);
  EXPECT_TRUE(same->alike) << same->text();
  EXPECT_LT(same->times, 2);
  const auto silent = compare(run(5, Boot::memory_silent), runs);
  ASSERT_TRUE(silent);
  EXPECT_FALSE(silent->alike);
  EXPECT_NE(silent->text().find("where the twin reads pages"), std::string::npos) << silent->text();
  const auto leaking = compare(run(6, Boot::whole, 33), runs);
  ASSERT_TRUE(leaking);
  EXPECT_GT(leaking->times, 10);
}

Features run_of(const Board& board, std::uint64_t seed, Boot how, double short_ohm, bool host) {
  Random r(seed);
  FaultCircuit fault;
  fault.short_3V3_ohm = short_ohm;
  const Bench bench;
  std::vector<Block> load;
  boot(load, r, board, bench.t_on_s + bench.ramp_ms * 1e-3 + (board.soft_start_ms + 0.6) * 1e-3, bench.end_s, how, host);
  return features_of(simulate(board, bench, fault, load, r));
}

// Where the line between alike and parted lies, on boards drawn at random, with one run kept and with three.
TEST(Twin, OfManyBoardsTheGoodStayAlikeAndTheFaultyPart) {
  constexpr std::uint64_t kBoards = 16;
  for (std::uint64_t i = 0; i < kBoards; ++i) {
    SCOPED_TRACE(i);
    Random random(5000 + i);
    const Board board = random_board(random);
    const bool host = i % 2 != 0;
    std::vector<Features> runs;
    for (std::uint64_t k = 0; k < 3; ++k) runs.push_back(run_of(board, 50 * i + k, Boot::whole, 1e9, host));
    const Features good = run_of(board, 50 * i + 9, Boot::whole, 1e9, host);
    const std::pair<Boot, double> faults[] = {
        {Boot::memory_silent, 1e9}, {Boot::no_clock, 1e9}, {Boot::memory_blank, 1e9}, {Boot::whole, 60}, {Boot::whole, 330}};
    std::vector<Features> faulty;
    for (const auto& [how, short_ohm] : faults) faulty.push_back(run_of(board, 50 * i + 10, how, short_ohm, host));
    for (const std::size_t kept : {std::size_t{1}, std::size_t{3}}) {
      const auto known = std::span(runs).first(kept);
      const auto same = compare(good, known);
      ASSERT_TRUE(same);
      EXPECT_TRUE(same->alike) << kept << ": " << same->text();
      EXPECT_FALSE(same->beside.parts_s);
      for (std::size_t n = 0; n < faulty.size(); ++n) {
        const auto& [how, short_ohm] = faults[n];
        const auto other = compare(faulty[n], known);
        ASSERT_TRUE(other);
        EXPECT_FALSE(other->alike) << kept << " runs, boot " << static_cast<int>(how) << ", " << short_ohm << " ohm: " << other->text();
        ASSERT_TRUE(other->beside.parts_s) << other->text();
        if (how == Boot::memory_silent) {
          EXPECT_NEAR(*other->beside.parts_s, runs[other->run].first_dense_s, 0.03);
        }
        if (short_ohm < 1e3) {
          EXPECT_LT(*other->beside.parts_s, 0.03);  // warping may take 10 mA more for the next stage, once it has come
        }
      }
    }
  }
}

TEST(Twin, OneRunAloneIsMeasuredByWhatIsUsual) {
  const std::vector<Features> runs{run(1)};
  const auto report = compare(run(2), runs);
  ASSERT_TRUE(report);
  EXPECT_TRUE(report->assumed);
  EXPECT_TRUE(report->alike) << report->text();
  EXPECT_NE(report->text().find("usually"), std::string::npos);
}

TEST(Twin, WithoutASwitchOnThereIsNothingToAlign) {
  Features trace = run(2);
  trace.t_on_s.reset();
  EXPECT_FALSE(compare(trace, run(1)));
}

}  // namespace
}  // namespace steadycell::supply::test
