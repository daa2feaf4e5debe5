#include "supply/segments.h"

#include <algorithm>
#include <limits>

namespace steadycell::supply {
namespace {

// Squared deviation from the mean of any stretch, in constant time.
class Cost {
 public:
  explicit Cost(std::span<const double> values) : sum_(values.size() + 1), squares_(values.size() + 1) {
    for (std::size_t i = 0; i < values.size(); ++i) {
      const double x = values[i] - values[0];  // about the first value: large levels do not eat small changes
      sum_[i + 1] = sum_[i] + x;
      squares_[i + 1] = squares_[i] + x * x;
    }
  }
  double operator()(std::size_t from, std::size_t to) const {
    const double s = sum_[to] - sum_[from];
    return squares_[to] - squares_[from] - s * s / static_cast<double>(to - from);
  }

 private:
  std::vector<double> sum_, squares_;
};

// PELT over values [first, end).
std::vector<std::size_t> pelt(const Cost& cost, std::size_t first, std::size_t end, double penalty,
                              std::size_t shortest, std::uint64_t& evaluations) {
  constexpr double kNever = std::numeric_limits<double>::infinity();
  const std::size_t n = end - first;
  std::vector<double> best(n + 1, kNever);  // of the first i values, with a penalty for each segment but one
  std::vector<std::size_t> last(n + 1, 0);  // start of the last segment in it
  best[0] = -penalty;
  // A start that loses by the penalty at `at` loses for good once a segment may start at `at`: `shortest` values
  // later.
  struct Candidate {
    std::size_t start, doomed_at;
  };
  std::vector<Candidate> candidates;
  for (std::size_t at = shortest; at <= n; ++at) {
    if (best[at - shortest] < kNever) candidates.push_back({at - shortest, n + 1});
    evaluations += 2 * candidates.size();
    for (const Candidate& c : candidates) {
      const double value = best[c.start] + cost(first + c.start, first + at) + penalty;
      if (value < best[at]) {
        best[at] = value;
        last[at] = c.start;
      }
    }
    for (Candidate& c : candidates)
      if (c.doomed_at > n && best[c.start] + cost(first + c.start, first + at) > best[at])
        c.doomed_at = at + shortest;
    std::erase_if(candidates, [&](const Candidate& c) { return c.doomed_at <= at; });
  }
  std::vector<std::size_t> changes;
  for (std::size_t at = last[n]; at > 0; at = last[at]) changes.push_back(first + at);
  std::reverse(changes.begin(), changes.end());
  return changes;
}

}  // namespace

std::vector<std::size_t> change_points(std::span<const double> values, double penalty, std::size_t shortest,
                                       std::uint64_t* evaluations) {
  std::uint64_t counted = 0;
  shortest = std::max<std::size_t>(shortest, 1);
  const std::size_t n = values.size();
  std::vector<std::size_t> changes;
  if (n < 2 * shortest) return changes;
  const Cost cost(values);
  for (std::size_t from = 0;;) {
    const std::size_t end = std::min(n, from + std::max(kSegmentWindow, 4 * shortest));
    const auto found = pelt(cost, from, end, penalty, shortest, counted);
    changes.insert(changes.end(), found.begin(), found.end());
    if (end == n) break;
    // On from the last change, which the next window cannot move; a window without one ends at a border of its
    // own.
    from = found.empty() || found.back() == from ? end - shortest : found.back();
    if (changes.empty() || changes.back() != from) changes.push_back(from);
  }
  // Borders of windows that pay no penalty go.
  for (std::size_t i = 0; i < changes.size();) {
    const std::size_t left = i == 0 ? 0 : changes[i - 1], right = i + 1 < changes.size() ? changes[i + 1] : n;
    const bool pays =
        changes[i] > left && cost(left, right) - cost(left, changes[i]) - cost(changes[i], right) > penalty;
    if (pays)
      ++i;
    else
      changes.erase(changes.begin() + static_cast<std::ptrdiff_t>(i));
  }
  if (evaluations) *evaluations += counted;
  return changes;
}

}  // namespace steadycell::supply
