#include "ecc/odds.h"

#include <algorithm>
#include <cassert>
#include <cmath>

namespace steadycell::ecc {
namespace {

double log_choose(double n, double k) { return std::lgamma(n + 1) - std::lgamma(k + 1) - std::lgamma(n - k + 1); }

// P(X <= k), summed from the largest term down so that nothing underflows early.
double binomial_head(std::uint64_t n, std::uint64_t k, double p) {
  if (p <= 0) return 1;
  if (p >= 1) return k >= n ? 1 : 0;
  const double nn = static_cast<double>(n), lp = std::log(p), lq = std::log1p(-p);
  double sum = 0;
  for (std::uint64_t i = 0; i <= std::min(k, n); ++i) {
    const double ii = static_cast<double>(i);
    sum += std::exp(log_choose(nn, ii) + ii * lp + (nn - ii) * lq);
  }
  return std::min(sum, 1.0);
}

// P(X > t) of a negative binomial with that mean and variance (variance > mean).
double negative_binomial_tail(double mean, double variance, std::uint32_t t) {
  const double r = mean * mean / (variance - mean), q = mean / (r + mean);
  double tail = 0, term = std::exp(std::lgamma(r + t + 1) - std::lgamma(r) - std::lgamma(t + 2.0) + r * std::log1p(-q) + (t + 1) * std::log(q));
  for (std::uint32_t k = t + 1; k < t + 100'000 && term > tail * 1e-17; ++k) {
    tail += term;
    term *= q * (r + k) / (k + 1);
  }
  return std::min(tail, 1.0);
}

}  // namespace

double binomial_tail(std::uint64_t n, std::uint64_t t, double p) {
  if (p <= 0 || t >= n) return 0;
  if (p >= 1) return 1;
  // The tail itself is summed, not one minus the head: small tails keep their digits.
  const double nn = static_cast<double>(n), lp = std::log(p), lq = std::log1p(-p);
  if (static_cast<double>(t) + 1 < nn * p) return 1 - binomial_head(n, t, p);
  double tail = 0;
  for (std::uint64_t k = t + 1; k <= n; ++k) {
    const double kk = static_cast<double>(k), term = std::exp(log_choose(nn, kk) + kk * lp + (nn - kk) * lq);
    tail += term;
    if (term < tail * 1e-17) break;
  }
  return std::min(tail, 1.0);
}

double accepted_share(std::uint32_t code_bits, std::uint32_t parity_bits, std::uint32_t weight) {
  double sum = 0;
  for (std::uint32_t i = 0; i <= weight; ++i) sum += std::exp(log_choose(code_bits, i) - parity_bits * std::log(2.0));
  return std::min(sum, 1.0);
}

double looks_erased_odds(std::uint32_t bits, std::uint32_t t) { return accepted_share(bits, bits, t); }

double upper_limit(std::uint64_t events, std::uint64_t trials) {
  constexpr double kAlpha = 0.01, kNormal = 2.3263;  // one-sided 99 %
  if (trials == 0 || events >= trials) return 1;
  const double n = static_cast<double>(trials), k = static_cast<double>(events);
  if (events > 400) {
    const double p = k / n;
    return std::min(1.0, p + kNormal * std::sqrt(p * (1 - p) / n) + 1 / n);
  }
  double low = k / n, high = 1;
  for (int i = 0; i < 60; ++i) {
    const double middle = (low + high) / 2;
    (binomial_head(trials, events, middle) > kAlpha ? low : high) = middle;
  }
  return high;
}

void CodeStatistics::add(StepOutcome outcome) {
  switch (outcome.status) {
    case StepStatus::erased:
      ++erased_;
      break;
    case StepStatus::failed:
      ++failed_;
      break;
    case StepStatus::clean:
    case StepStatus::corrected:
      assert(outcome.bits < by_bits_.size());
      ++by_bits_[outcome.bits];
      break;
  }
}

void CodeStatistics::merge(const CodeStatistics& other) {
  assert(other.by_bits_.size() == by_bits_.size() && other.code_bits_ == code_bits_);
  for (std::size_t i = 0; i < by_bits_.size(); ++i) by_bits_[i] += other.by_bits_[i];
  failed_ += other.failed_;
  erased_ += other.erased_;
}

std::uint64_t CodeStatistics::codewords() const {
  std::uint64_t sum = failed_;
  for (const std::uint64_t count : by_bits_) sum += count;
  return sum;
}

std::uint64_t CodeStatistics::corrected_bits() const {
  std::uint64_t sum = 0;
  for (std::size_t bits = 0; bits < by_bits_.size(); ++bits) sum += bits * by_bits_[bits];
  return sum;
}

double CodeStatistics::bit_error_rate() const {
  const std::uint64_t decoded = codewords() - failed_;
  return decoded == 0 ? 0 : static_cast<double>(corrected_bits()) / (static_cast<double>(decoded) * code_bits_);
}

double CodeStatistics::more_than_t() const {
  const double n = static_cast<double>(codewords());
  if (codewords() == 0) return 1;
  // A failed step had at least t + 1 wrong bits.
  const double at_least = static_cast<double>(t()) + 1;
  double sum = static_cast<double>(failed_) * at_least, squares = static_cast<double>(failed_) * at_least * at_least;
  for (std::size_t bits = 0; bits < by_bits_.size(); ++bits) {
    sum += static_cast<double>(bits * by_bits_[bits]);
    squares += static_cast<double>(bits * bits * by_bits_[bits]);
  }
  const double mean = sum / n, variance = squares / n - mean * mean;
  const double rate = upper_limit(static_cast<std::uint64_t>(sum), codewords() * code_bits_);
  const double upper_mean = rate * code_bits_;
  // The spread is kept in proportion when the mean is moved up to its limit.
  const double spread = mean > 0 ? variance / mean : 1;
  const double model = spread > 1.0001 ? negative_binomial_tail(upper_mean, upper_mean * spread, t()) : binomial_tail(code_bits_, t(), rate);
  return failed_ == 0 ? model : std::max(model, upper_limit(failed_, codewords()));
}

double FalseOdds::of_step(StepOutcome outcome, std::uint32_t trials) const {
  switch (outcome.status) {
    case StepStatus::failed:
      return 1;
    case StepStatus::erased:
      return looks_erased_odds(code_bits_, t_);
    case StepStatus::clean:
    case StepStatus::corrected:
      break;
  }
  return std::min(1.0, more_than_t_ * accepted_share(code_bits_, parity_bits_, outcome.bits) * trials);
}

double FalseOdds::of_page(std::span<const StepOutcome> outcomes, std::uint32_t trials) const {
  double sum = 0;
  for (const StepOutcome& outcome : outcomes) sum += of_step(outcome, trials);
  return std::min(sum, 1.0);
}

}  // namespace steadycell::ecc
