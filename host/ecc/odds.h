#pragma once
#include <cstdint>
#include <vector>

#include "ecc/page_code.h"

// The numbers behind a verdict: how likely a decoded step is false. docs/design.md, rule 2.
namespace steadycell::ecc {

// P(X > t) for X binomial with n trials of probability p.
double binomial_tail(std::uint64_t n, std::uint64_t t, double p);
// Share of all words of `parity_bits` redundancy and `code_bits` length that a decoder accepts changing at most `weight`
// bits: sum of C(code_bits, i), i <= weight, over 2^parity_bits; at most 1.
double accepted_share(std::uint32_t code_bits, std::uint32_t parity_bits, std::uint32_t weight);
// P(a step of `bits` random bits has at most t zeros), the odds that a written step looks erased.
double looks_erased_odds(std::uint32_t bits, std::uint32_t t);
// Upper end of the one-sided 99 % confidence interval of a probability seen `events` times in `trials` (Clopper and
// Pearson, Biometrika 26 (1934); from memory; a normal approximation beyond 400 events). 1 without trials.
double upper_limit(std::uint64_t events, std::uint64_t trials);

// What the code found over many steps of one chip; erased steps are counted apart, since FF errs differently.
class CodeStatistics {
 public:
  CodeStatistics(std::uint32_t code_bits, std::uint32_t t) : code_bits_(code_bits), by_bits_(t + 1) {}

  void add(StepOutcome outcome);
  void merge(const CodeStatistics& other);

  std::uint64_t codewords() const;  // written ones: clean, corrected and failed
  std::uint64_t erased() const { return erased_; }
  std::uint64_t failed() const { return failed_; }
  std::uint64_t with_bits(std::uint32_t bits) const { return by_bits_[bits]; }  // steps in which that many were corrected
  std::uint64_t corrected_bits() const;
  std::uint32_t t() const { return static_cast<std::uint32_t>(by_bits_.size() - 1); }
  std::uint32_t code_bits() const { return code_bits_; }
  // Corrected bits over the bits of the codewords that decoded; nothing to go by: 0.
  double bit_error_rate() const;
  // P(more than t wrong bits in a step): the tail of a negative binomial fitted to the upper limit of the mean and to the
  // spread of the counts (a plain binomial when they do not spread more than that), or the upper limit of the observed
  // share of failures when there were some, whichever is larger. 1 when nothing was measured.
  double more_than_t() const;

 private:
  std::uint32_t code_bits_;
  std::vector<std::uint64_t> by_bits_;
  std::uint64_t failed_ = 0, erased_ = 0;
};

// Bound on the probability that a decoded step is false: P(more than t errors) x the share of words the decoder would
// have accepted with no more changes than it made x the number of words it was offered.
//
// A false decode lands near a random codeword, so few changes speak for truth: a clean step of a 52-bit code is false with
// 2^-52 times the failure rate, one with four corrected bits of 4148 with 0.0027 times it.
class FalseOdds {
 public:
  FalseOdds(const PageCode& code, const CodeStatistics& measured)
      : code_bits_(code.code_bits()), parity_bits_(code.parity_bits()), t_(code.t()), more_than_t_(measured.more_than_t()) {}

  // `trials`: words of this step given to the decoder until one was accepted.
  double of_step(StepOutcome outcome, std::uint32_t trials) const;
  // Sum over the steps of a page (union bound), at most 1.
  double of_page(std::span<const StepOutcome> outcomes, std::uint32_t trials) const;

 private:
  std::uint32_t code_bits_, parity_bits_, t_;
  double more_than_t_;
};

}  // namespace steadycell::ecc
