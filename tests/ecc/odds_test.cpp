#include "ecc/odds.h"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

#include "files.h"

namespace steadycell::ecc {
namespace {

// P(more than t of n) at a bit error rate, computed by an independent script (Python integers and fractions).
TEST(Odds, BinomialTailMatchesTheTableOfCodewordFailures) {
  const struct { std::uint64_t n, t; double rate, expected; } kTable[] = {
      {4120, 1, 1e-5, 8.2558e-4},  {4148, 4, 1e-4, 7.2406e-5},  {4148, 4, 1e-3, 4.0007e-1},  {4200, 8, 1e-3, 2.7864e-2},
      {8528, 24, 1e-3, 3.4617e-6}, {8752, 40, 1e-3, 2.3800e-15}, {8752, 40, 3e-3, 4.5654e-3}, {9032, 60, 5e-3, 1.3961e-2}};
  for (const auto& row : kTable) EXPECT_NEAR(binomial_tail(row.n, row.t, row.rate) / row.expected, 1, 5e-5) << row.n << " " << row.rate;
}

TEST(Odds, BinomialTailAtItsEdges) {
  EXPECT_EQ(binomial_tail(10, 10, 0.5), 0);
  EXPECT_EQ(binomial_tail(10, 3, 0), 0);
  EXPECT_EQ(binomial_tail(10, 3, 1), 1);
  EXPECT_DOUBLE_EQ(binomial_tail(3, 1, 0.5), 0.5);            // 4 of 8 outcomes
  EXPECT_NEAR(binomial_tail(5, 2, 0.1), 107.0 / 12500, 1e-15);  // a closed form, exact fraction
}

// Whole codes: (15,7) t = 2 has 1 + 15 + 105 words around each of 128 codewords of 32768 words; (15,11) t = 1 is perfect.
TEST(Odds, AcceptedShareOfSmallCodesIsExact) {
  EXPECT_NEAR(std::exp(log_accepted_share(15, 8, 2)), 121 * 128.0 / 32768, 1e-12);
  EXPECT_NEAR(std::exp(log_accepted_share(15, 8, 0)), 128.0 / 32768, 1e-15);
  EXPECT_NEAR(std::exp(log_accepted_share(15, 4, 1)), 1, 1e-12);
  EXPECT_NEAR(std::exp(log_accepted_share(31, 15, 3)), 4992.0 / 32768, 1e-12);
}

// The values that odds.h states for BCH m 13, t 4 over 512 bytes; C(4148, w) summed by hand over 2^52.
TEST(Odds, AcceptedShareFallsSteeplyWithFewerChanges) {
  const double n = 4148, two52 = 4503599627370496.0;
  const double choose[] = {1, n, n * (n - 1) / 2, n * (n - 1) * (n - 2) / 6, n * (n - 1) * (n - 2) * (n - 3) / 24};
  double sum = 0;
  for (std::uint32_t w = 0; w <= 4; ++w) {
    sum += choose[w];
    EXPECT_NEAR(std::exp(log_accepted_share(4148, 52, w)) * two52 / sum, 1, 1e-9) << w;
  }
  EXPECT_NEAR(std::exp(log_accepted_share(4148, 52, 4)), 2.7e-3, 0.05e-3);
}

TEST(Odds, AcceptedShareOfTheLargestCodeStaysFiniteInLogarithms) {
  const double share = log_accepted_share(2048 * 8 + 1080, 1080, 72);
  EXPECT_TRUE(std::isfinite(share));
  EXPECT_LT(share, -200);
  EXPECT_EQ(log_accepted_share(2048 * 8 + 1080, 1080, 0), -1080 * std::log(2.0));
}

// Random words beyond t decode falsely as often as the share says: measured on a code small enough to see it.
TEST(Odds, RandomWordsAreAcceptedAsOftenAsTheShareSays) {
  const BchCode code = BchCode::make({.m = 8, .t = 3, .polynomial = 0x11D, .data_bits = 128}).value();
  BchWorkspace workspace(code);
  std::mt19937 random(7);
  constexpr int kWords = 200'000;
  std::vector<int> accepted(4);
  for (int i = 0; i < kWords; ++i) {
    Bytes data(16), parity(3);
    for (auto& byte : data) byte = static_cast<std::uint8_t>(random());
    for (auto& byte : parity) byte = static_cast<std::uint8_t>(random());
    const Decoded decoded = code.decode(data, parity, workspace);
    if (decoded.status != DecodeStatus::failed)
      for (std::uint32_t w = decoded.bits; w <= 3; ++w) ++accepted[w];
  }
  for (std::uint32_t w = 2; w <= 3; ++w) {
    const double expected = kWords * std::exp(log_accepted_share(152, 24, w));
    EXPECT_NEAR(accepted[w], expected, 5 * std::sqrt(expected)) << w;
  }
}

// Closed forms: no event gives 1 - alpha^(1/n); all but none give the same from the other side. The others are defined by
// P(X <= k) = 0.01, checked with the binomial tail.
TEST(Odds, UpperLimitIsTheClopperPearsonBound) {
  EXPECT_NEAR(upper_limit(0, 100), 1 - std::pow(0.01, 1.0 / 100), 1e-12);
  EXPECT_NEAR(upper_limit(0, 1'000'000), 4.605e-6, 0.001e-6);
  EXPECT_EQ(upper_limit(0, 0), 1);
  EXPECT_EQ(upper_limit(7, 7), 1);
  for (const auto& [events, trials] : {std::pair{1ull, 50ull}, {9ull, 10'000ull}, {5000ull, 100'000'000ull}, {3ull, 4ull}}) {
    const double p = upper_limit(events, trials);
    EXPECT_GT(p, static_cast<double>(events) / static_cast<double>(trials));
    EXPECT_NEAR(binomial_tail(trials, events, p), 0.99, 1e-6);
  }
}

PageCode bch4() { return PageCode::make(test_scheme("bch4-2k")).value(); }

CodeStatistics statistics(const PageCode& code, std::initializer_list<std::uint64_t> by_bits, std::uint64_t failed) {
  CodeStatistics out(code);
  std::uint32_t bits = 0;
  for (const std::uint64_t count : by_bits) {
    for (std::uint64_t i = 0; i < count; ++i) out.add({bits == 0 ? StepStatus::clean : StepStatus::corrected, bits});
    ++bits;
  }
  for (std::uint64_t i = 0; i < failed; ++i) out.add({StepStatus::failed, 0});
  return out;
}

TEST(CodeStatistics, CountsAndMerges) {
  const PageCode code = bch4();
  CodeStatistics a = statistics(code, {10, 5, 0, 2}, 1), b = statistics(code, {1, 0, 0, 0, 3}, 0);
  b.add({StepStatus::erased, 2});
  a.merge(b);
  EXPECT_EQ(a.codewords(), 22u);
  EXPECT_EQ(a.clean(), 11u);
  EXPECT_EQ(a.corrected(), 10u);
  EXPECT_EQ(a.failed(), 1u);
  EXPECT_EQ(a.erased(), 1u);
  EXPECT_EQ(std::vector(a.by_bits().begin(), a.by_bits().end()), (std::vector<std::uint64_t>{11, 5, 0, 2, 3}));
  EXPECT_EQ(a.corrected_bits(), 5u + 6 + 12);
  EXPECT_EQ(a.bits(), 22u * 4148);
  EXPECT_DOUBLE_EQ(a.bit_error_rate(), 23.0 / (21.0 * 4148));
}

TEST(CodeStatistics, NothingMeasuredProvesNothing) {
  const PageCode code = bch4();
  EXPECT_EQ(CodeStatistics(code).more_than_t(), 1);
  EXPECT_EQ(CodeStatistics(code).bit_error_rate(), 0);
  CodeStatistics erased(code);
  erased.add({StepStatus::erased, 0});
  EXPECT_EQ(erased.more_than_t(), 1);
}

TEST(CodeStatistics, NoFailureInNStepsBoundsThemByAboutFourPointSixOverN) {
  const PageCode code = bch4();
  EXPECT_NEAR(statistics(code, {10'000}, 0).more_than_t() * 10'000, 4.605 / (1 - 2.7e-3), 0.01);
}

TEST(CodeStatistics, IndependentErrorsCountWhereTheyAreTheLargerEstimate) {
  const PageCode code = bch4();
  // Five steps with two wrong bits each: the rate alone makes more than four likelier than five good steps exclude.
  const CodeStatistics few = statistics(code, {0, 0, 0, 0, 5000}, 0);
  EXPECT_GT(few.more_than_t(), 0.3);  // 4 of 4148 on average: the binomial says 0.37
}

// Failures that are missing because they decode falsely: with t = 1 half of what lies beyond t does.
TEST(CodeStatistics, FailuresAreRaisedByWhatDecodesFalsely) {
  const PageCode hamming = PageCode::make(test_scheme("hamming-2k")).value();
  const double observed = statistics(hamming, {100'000}, 100).more_than_t();
  const double share = std::exp(log_accepted_share(2070, 12, 1));
  EXPECT_NEAR(share, 2071.0 / 4096, 1e-9);
  EXPECT_NEAR(observed, upper_limit(100, 100'100) / (1 - share), 1e-12);
}

// On simulated words with independent errors at a known rate, the estimate is an upper bound of the exact tail, and not ten
// times as much once failures are seen.
TEST(CodeStatistics, EstimateBoundsTheExactTail) {
  const PageCode code = bch4();
  std::mt19937 random(8);
  for (const double rate : {1e-4, 3e-4, 1e-3}) {
    std::binomial_distribution<std::uint32_t> errors(4148, rate);
    CodeStatistics measured(code);
    for (int i = 0; i < 20'000; ++i) {
      const std::uint32_t bits = errors(random);
      measured.add(bits > 4 ? StepOutcome{StepStatus::failed, 0}
                            : StepOutcome{bits == 0 ? StepStatus::clean : StepStatus::corrected, bits});
    }
    const double exact = binomial_tail(4148, 4, rate);
    EXPECT_GT(measured.more_than_t(), exact);
    EXPECT_LT(measured.more_than_t(), 10 * exact);
  }
}

TEST(FalseOdds, IsTheProductOfBothFactorsAndTheTrials) {
  const PageCode code = bch4();
  const CodeStatistics measured = statistics(code, {10'000}, 0);
  const FalseOdds odds(code, measured);
  for (std::uint32_t bits = 0; bits <= 4; ++bits) {
    const StepOutcome outcome{bits == 0 ? StepStatus::clean : StepStatus::corrected, bits};
    const double expected = measured.more_than_t() * std::exp(log_accepted_share(4148, 52, bits));
    EXPECT_NEAR(odds.of_step(outcome, 1) / expected, 1, 1e-9);
    EXPECT_NEAR(odds.of_step(outcome, 7) / (7 * expected), 1, 1e-9);
  }
}

// design.md, rule 2: t <= 4 near full t does not reach 1e-6 alone; fewer changes do, as does t = 8.
TEST(FalseOdds, SayWhichCodesReachTheBound) {
  const PageCode four = bch4();
  const FalseOdds odds(four, statistics(four, {9000, 900, 90, 9, 1}, 0));
  EXPECT_LT(odds.of_step({StepStatus::corrected, 2}, 1), 1e-11);
  EXPECT_LT(odds.of_step({StepStatus::corrected, 3}, 1), 1e-8);
  EXPECT_GT(odds.of_step({StepStatus::corrected, 4}, 1), 1e-6);
  const PageCode eight = PageCode::make(test_scheme("bch8-2k")).value();
  EXPECT_LT(FalseOdds(eight, statistics(eight, {9000, 900, 90, 9, 1}, 0)).of_step({StepStatus::corrected, 8}, 1), 1e-9);
  const PageCode hamming = PageCode::make(test_scheme("hamming-2k")).value();
  EXPECT_GT(FalseOdds(hamming, statistics(hamming, {9000, 900}, 90)).of_step({StepStatus::corrected, 1}, 1), 1e-6);
}

TEST(FalseOdds, APageIsTheSumOfItsStepsAndAFailedStepIsCertain) {
  const PageCode code = bch4();
  const FalseOdds odds(code, statistics(code, {10'000}, 0));
  const StepOutcome clean{}, three{StepStatus::corrected, 3}, failed{StepStatus::failed, 0}, erased{StepStatus::erased, 1};
  const std::vector<StepOutcome> page{clean, three, three, erased};
  EXPECT_DOUBLE_EQ(odds.of_page(page, 1), odds.of_step(clean, 1) + 2 * odds.of_step(three, 1) + odds.of_step(erased, 1));
  EXPECT_EQ(odds.of_page(std::vector{clean, failed}, 1), 1);
  EXPECT_EQ(odds.of_step(erased, 1), 1e-300) << "C(4148, 4) / 2^4148 is no double; never 0";
}

TEST(FalseOdds, LooksErasedOddsAreTheBinomialHeadAtOneHalf) {
  EXPECT_NEAR(std::exp(log_looks_erased(10, 2)), 56.0 / 1024, 1e-12);
  EXPECT_LT(log_looks_erased(2070, 1), -1400);
}

}  // namespace
}  // namespace steadycell::ecc
