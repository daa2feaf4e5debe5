#include "ecc/odds.h"

#include <algorithm>
#include <boost/math/distributions/binomial.hpp>
#include <cassert>
#include <cmath>

namespace steadycell::ecc {
namespace {

using Binomial = boost::math::binomial_distribution<double>;

constexpr double kConfidence = 0.01;  // one-sided 99 %
constexpr double kLeastOdds = 1e-300;

// ln sum over i <= k of C(n, i) ways^i
double log_patterns(std::uint32_t n, std::uint32_t k, double ways = 1) {
  double log_term = 0, log_sum = 0;  // of i = 0
  for (std::uint32_t i = 1; i <= std::min(k, n); ++i) {
    log_term += std::log(ways * static_cast<double>(n - i + 1)) - std::log(static_cast<double>(i));
    log_sum = std::max(log_sum, log_term) + std::log1p(std::exp(-std::abs(log_sum - log_term)));
  }
  return log_sum;
}

}  // namespace

double binomial_tail(std::uint64_t n, std::uint64_t t, double p) {
  if (p <= 0 || t >= n) return 0;
  if (p >= 1) return 1;
  return boost::math::cdf(boost::math::complement(Binomial(static_cast<double>(n), p), static_cast<double>(t)));
}

double log_accepted_share(std::uint32_t code_bits, std::uint32_t check_bits, std::uint32_t weight) {
  return std::min(0.0, log_patterns(code_bits, weight) - check_bits * std::log(2.0));
}

double log_accepted_share(const PageCode& code, std::uint32_t errors) {
  const double ways = std::exp2(code.symbol_bits()) - 1;
  return std::min(0.0, log_patterns(code.code_symbols(), errors, ways) - code.check_bits() * std::log(2.0));
}

double log_looks_erased(std::uint32_t bits, std::uint32_t t) { return log_accepted_share(bits, bits, t); }

double upper_limit(std::uint64_t events, std::uint64_t trials) {
  if (events >= trials) return 1;
  return Binomial::find_upper_bound_on_p(static_cast<double>(trials), static_cast<double>(events), kConfidence);
}

CodeStatistics::CodeStatistics(const PageCode& code)
    : code_bits_(code.code_bits()),
      code_symbols_(code.code_symbols()),
      accepted_at_t_(std::exp(log_accepted_share(code, code.t()))),
      by_bits_(code.t() + 1) {}

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
      assert(outcome.errors() < by_bits_.size());
      ++by_bits_[outcome.errors()];
      corrected_bits_ += outcome.bits;
      break;
  }
}

void CodeStatistics::merge(const CodeStatistics& other) {
  assert(other.by_bits_.size() == by_bits_.size() && other.code_bits_ == code_bits_);
  for (std::size_t i = 0; i < by_bits_.size(); ++i) by_bits_[i] += other.by_bits_[i];
  failed_ += other.failed_;
  erased_ += other.erased_;
  corrected_bits_ += other.corrected_bits_;
}

std::uint64_t CodeStatistics::codewords() const {
  std::uint64_t sum = failed_;
  for (const std::uint64_t count : by_bits_) sum += count;
  return sum;
}

std::uint64_t CodeStatistics::wrong_symbols() const {
  std::uint64_t sum = 0;
  for (std::size_t errors = 0; errors < by_bits_.size(); ++errors) sum += errors * by_bits_[errors];
  return sum;
}

double CodeStatistics::bit_error_rate() const {
  const std::uint64_t decoded = codewords() - failed_;
  return decoded == 0 ? 0 : static_cast<double>(corrected_bits()) / (static_cast<double>(decoded) * code_bits_);
}

double CodeStatistics::more_than_t() const {
  const std::uint64_t wrong = wrong_symbols() + failed_ * (std::uint64_t{t()} + 1);
  const double independent = binomial_tail(code_symbols_, t(), upper_limit(wrong, codewords() * code_symbols_));
  const double accepted = std::min(accepted_at_t_, 1.0);
  const double observed = accepted < 1 ? upper_limit(failed_, codewords()) / (1 - accepted) : 1;
  return std::min(1.0, std::max(independent, observed));
}

FalseOdds::FalseOdds(const PageCode& code, const CodeStatistics& measured)
    : by_bits_(code.t() + 1), erased_(std::max(kLeastOdds, std::exp(log_looks_erased(code.code_bits(), code.t())))) {
  const double log_more_than_t = std::log(measured.more_than_t());
  for (std::uint32_t errors = 0; errors <= code.t(); ++errors)
    by_bits_[errors] = std::max(kLeastOdds, std::exp(log_more_than_t + log_accepted_share(code, errors)));
}

double FalseOdds::of_step(StepOutcome outcome, std::uint32_t trials) const {
  switch (outcome.status) {
    case StepStatus::failed:
      return 1;
    case StepStatus::erased:
      return erased_;
    case StepStatus::clean:
    case StepStatus::corrected:
      break;
  }
  return std::min(1.0, by_bits_[outcome.errors()] * trials);
}

double FalseOdds::of_page(std::span<const StepOutcome> outcomes, std::uint32_t trials) const {
  double sum = 0;
  for (const StepOutcome& outcome : outcomes) sum += of_step(outcome, trials);
  return std::min(sum, 1.0);
}

}  // namespace steadycell::ecc
