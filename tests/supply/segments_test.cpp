#include "supply/segments.h"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

namespace steadycell::supply {
namespace {

// The definition, tried out in full: least (squared deviation + penalty per change) by dynamic programming.
std::vector<std::size_t> by_definition(const std::vector<double>& x, double penalty, std::size_t shortest) {
  const std::size_t n = x.size();
  const auto cost = [&](std::size_t a, std::size_t b) {
    double mean = 0, sum = 0;
    for (std::size_t i = a; i < b; ++i) mean += x[i];
    mean /= static_cast<double>(b - a);
    for (std::size_t i = a; i < b; ++i) sum += (x[i] - mean) * (x[i] - mean);
    return sum;
  };
  std::vector<double> best(n + 1, 1e300);
  std::vector<std::size_t> last(n + 1, 0);
  best[0] = -penalty;
  for (std::size_t end = shortest; end <= n; ++end)
    for (std::size_t start = 0; start + shortest <= end; ++start)
      if (best[start] < 1e299 && best[start] + cost(start, end) + penalty < best[end]) {
        best[end] = best[start] + cost(start, end) + penalty;
        last[end] = start;
      }
  std::vector<std::size_t> changes;
  for (std::size_t at = last[n]; at > 0; at = last[at]) changes.insert(changes.begin(), at);
  return changes;
}

TEST(ChangePoints, AgreeWithTheDefinitionOnRandomSeries) {
  std::mt19937_64 random(7);
  std::normal_distribution<> noise(0, 1);
  for (int round = 0; round < 60; ++round) {
    std::vector<double> x;
    double level = 0;
    while (x.size() < 90) {
      level += 4 * noise(random);
      const auto length = 1 + random() % 25;
      for (std::size_t i = 0; i < length && x.size() < 90; ++i) x.push_back(level + noise(random));
    }
    const std::size_t shortest = 1 + random() % 5;
    EXPECT_EQ(change_points(x, 9, shortest), by_definition(x, 9, shortest)) << round;
  }
}

// With 1 ms bins, a step of five sigma is found within one bin (facts: Killick et al. 2012, penalty 2 sigma^2 ln
// n).
TEST(ChangePoints, StepOfFiveSigmaIsFoundWithinOneMillisecond) {
  std::mt19937_64 random(11);
  std::normal_distribution<> noise(0, 0.35);
  int found = 0, exact = 0;
  for (int round = 0; round < 200; ++round) {
    std::vector<double> x(1200);
    const std::size_t at = 100 + random() % 1000;
    for (std::size_t i = 0; i < x.size(); ++i) x[i] = (i >= at ? 5 * 0.35 : 0) + noise(random);
    const auto changes = change_points(x, 3 * 2 * 0.35 * 0.35 * std::log(1200.0), 2);
    ASSERT_FALSE(changes.empty());
    for (const std::size_t c : changes) exact += c + 1 >= at && c <= at + 1;
    found += static_cast<int>(changes.size());
  }
  EXPECT_GE(exact, 199);  // 5 sigma: the neighbour bin looks likelier about once in ten thousand
  EXPECT_LE(found, 204);
}

TEST(ChangePoints, SeriesLongerThanAWindowHasNoChangeAtItsBorders) {
  std::mt19937_64 random(3);
  std::normal_distribution<> noise(0, 1);
  std::vector<double> x(3 * kSegmentWindow + 17);
  for (std::size_t i = 0; i < x.size(); ++i) x[i] = noise(random) + (i >= 5000 ? 6 : 0);
  const auto changes = change_points(x, 40, 2);
  ASSERT_EQ(changes.size(), 1u);
  EXPECT_NEAR(static_cast<double>(changes[0]), 5000, 1);
}

// Work is counted, not timed: 16 times the values cost 16 times the evaluations, whether the series has many levels or,
// the worst case for pruning, none.
TEST(ChangePoints, WorkGrowsWithTheLengthAlone) {
  for (const std::size_t level_length : {std::size_t{40}, std::size_t{1} << 30}) {
    std::vector<double> per_value;
    for (const std::size_t n : {4096u, 16384u, 65536u}) {
      std::mt19937_64 random(5);
      std::normal_distribution<> noise(0, 0.3);
      std::vector<double> values(n);
      for (std::size_t i = 0; i < n; ++i) values[i] = 5.0 * static_cast<double>((i / level_length) % 3) + noise(random);
      std::uint64_t evaluations = 0;
      const auto found = change_points(values, 60 * 0.09 + 1, 2, &evaluations);
      EXPECT_EQ(found.size(), level_length < n ? (n - 1) / level_length : 0u) << n;
      per_value.push_back(static_cast<double>(evaluations) / static_cast<double>(n));
    }
    EXPECT_LT(per_value[2], 1.15 * per_value[0]) << level_length;
    EXPECT_LT(per_value[2], 2.5 * kSegmentWindow) << level_length;
  }
}

TEST(ChangePoints, ShortOrFlatSeriesHaveNone) {
  EXPECT_TRUE(change_points({}, 1, 2).empty());
  EXPECT_TRUE(change_points(std::vector<double>{1, 9}, 1, 2).empty());
  EXPECT_TRUE(change_points(std::vector<double>(500, 3.0), 1, 2).empty());
}

}  // namespace
}  // namespace steadycell::supply
