#include "vote/odds.h"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

#include "base/bytes.h"
#include "vote/majority.h"

namespace steadycell::vote {
namespace {

void expect_close(double value, double expected, double relative) {
  EXPECT_NEAR(value, expected, std::abs(expected) * relative);
}

// Closed form: sum over k > n/2 of C(n,k) p^k (1-p)^(n-k), computed with exact integers and given to six digits.
TEST(MajorityError, FollowsTheBinomialTail) {
  struct Row {
    double p;
    double error[6];
  };
  constexpr std::uint32_t kVotes[] = {3, 5, 7, 9, 15, 31};
  constexpr Row kRows[] = {
      {0.01, {2.98000e-4, 9.85060e-6, 3.41670e-7, 1.21854e-8, 6.04525e-13, 2.60804e-24}},
      {0.05, {7.25000e-3, 1.15813e-3, 1.93578e-4, 3.32222e-5, 1.82957e-7, 2.22745e-13}},
      {0.1, {0.028, 0.00856, 0.002728, 8.90920e-4, 3.36249e-5, 6.85120e-9}},
      {0.2, {0.104, 0.05792, 0.033344, 0.01958144, 4.23975e-3, 8.81550e-5}},
      {0.3, {0.216, 0.16308, 0.126036, 0.0988087, 0.0500125, 9.54044e-3}},
      {0.4, {0.352, 0.31744, 0.289792, 0.266568, 0.213103, 0.128382}},
      {0.45, {0.42525, 0.406873, 0.391712, 0.378579, 0.346496, 0.286820}},
  };
  for (const Row& row : kRows) {
    for (std::size_t i = 0; i < std::size(kVotes); ++i)
      expect_close(majority_error(kVotes[i], row.p), row.error[i], 5e-6);
  }
  expect_close(majority_error(3, 0.1), 7.0 / 250, 1e-12);
  expect_close(majority_error(5, 0.1), 107.0 / 12500, 1e-12);
  expect_close(majority_error(7, 0.2), 521.0 / 15625, 1e-12);
}

TEST(MajorityError, OneReadIsWrongAsOftenAsItIs) {
  expect_close(majority_error(1, 0.3), 0.3, 1e-12);
}

// A tie keeps the first read, so two reads are no better and no worse than one, four no better than three.
TEST(MajorityError, AnEvenReadMoreChangesNothing) {
  for (const double p : {0.01, 0.1, 0.4}) {
    for (const std::uint32_t n : {1U, 3U, 9U, 31U})
      expect_close(majority_error(n + 1, p), majority_error(n, p), 1e-9);
  }
}

TEST(TieProbability, IsTheMiddleTermOfTheBinomial) {
  expect_close(tie_probability(2, 0.1), 0.18, 1e-12);
  expect_close(tie_probability(4, 0.1), 0.0486, 1e-12);
  expect_close(tie_probability(8, 0.1), 0.0045927, 1e-12);
  EXPECT_EQ(tie_probability(5, 0.1), 0);
}

// With a share f of bits permanently wrong and g marginal at flip rate u, the error is f + g M(n,u).
TEST(MajorityError, CannotPassTheFloorOfPermanentlyWrongCells) {
  const double f = 1e-4, g = 1e-3, u = 0.3;
  expect_close(f + g * majority_error(1, u), 4.0000e-4, 1e-5);
  expect_close(f + g * majority_error(3, u), 3.1600e-4, 1e-5);
  expect_close(f + g * majority_error(9, u), 1.98809e-4, 1e-5);
  expect_close(f + g * majority_error(31, u), 1.09540e-4, 1e-5);
}

TEST(BinomialUpperTail, HasItsEdges) {
  EXPECT_EQ(binomial_upper_tail(10, 0, 0.2), 1);
  EXPECT_EQ(binomial_upper_tail(10, 11, 0.2), 0);
  expect_close(binomial_upper_tail(10, 10, 0.5), std::pow(0.5, 10), 1e-12);
  EXPECT_EQ(binomial_upper_tail(10, 1, 0), 0);
  EXPECT_EQ(binomial_upper_tail(10, 3, 1), 1);
}

// Tables of the chi-square distribution, 7 degrees of freedom: 14.067 (5 %), 18.475 (1 %), 24.322 (0.1 %).
TEST(ChiSquare, HasTheTabulatedCriticalValues) {
  expect_close(chi_square_upper_tail(14.067, 7), 0.05, 1e-3);
  expect_close(chi_square_upper_tail(18.475, 7), 0.01, 1e-3);
  expect_close(chi_square_upper_tail(24.322, 7), 0.001, 1e-3);
  EXPECT_EQ(chi_square_upper_tail(0, 7), 1);
}

// The kernel against the closed form: a million cells of known flip probability, wrong votes within 4.5 standard
// deviations of the binomial expectation (one false alarm in 150 000 seeds; the seed is fixed).
TEST(Majority, ErrsAsOftenAsTheClosedFormSays) {
  constexpr std::size_t kBytes = 125'000;
  std::mt19937_64 random(20260101);
  for (const auto& [p, votes] : {std::pair{0.1, 5U}, {0.2, 7U}, {0.3, 3U}, {0.05, 4U}}) {
    std::vector<Bytes> reads(votes, Bytes(kBytes));
    std::bernoulli_distribution flips(p);
    for (Bytes& read : reads) {
      for (std::uint8_t& byte : read) {
        for (unsigned bit = 0; bit < 8; ++bit)
          byte = static_cast<std::uint8_t>(byte | (flips(random) ? 1U << bit : 0U));
      }
    }
    Bytes out(kBytes), unsure(kBytes);
    majority(std::vector<ByteSpan>(reads.begin(), reads.end()), out, unsure);
    const double cells = kBytes * 8.0, expected = cells * majority_error(votes, p);
    EXPECT_NEAR(static_cast<double>(count_ones(out)), expected, 4.5 * std::sqrt(expected)) << p << " " << votes;
    const double wavering = 1 - std::pow(p, votes) - std::pow(1 - p, votes);  // 1 - P(all reads agree)
    EXPECT_NEAR(static_cast<double>(count_ones(unsure)), cells * wavering,
                4.5 * std::sqrt(cells * wavering * (1 - wavering)));
  }
}

}  // namespace
}  // namespace steadycell::vote
