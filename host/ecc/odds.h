#pragma once
#include <cstdint>
#include <span>
#include <vector>

#include "ecc/page_code.h"

// The numbers behind a verdict: how likely a decoded step is false (docs/design.md, rule 2).
//
// A decoder that corrects up to t bits answers falsely only when more than t bits are wrong AND the damaged word happens to
// lie near another codeword. The bound is the product of the two, counted for every word that was offered to the decoder:
//
//   P(false) <= trials x P(more than t wrong) x S(w),   S(w) = sum over i <= w of C(n, i) / 2^r
//
// n code bits, r independent checks. S(w) is the share of all words that lie within w bits of a codeword; a word with more
// than t errors is taken for a random one. w is the number of bits that were changed in this very step, not t: a false
// answer that happens to change few bits is far rarer than one that changes t. (BCH m 13, t 4, 512 bytes: S = 2.2e-16, 9.2e-13,
// 1.9e-9, 2.6e-6, 2.7e-3 for w = 0..4.) The product bounds the share of false answers among all steps read, so a chip of N
// pages that each satisfy 1e-6 is expected to hold at most N x 1e-6 false ones.
//
// P(more than t wrong) comes from the chip itself, see CodeStatistics::more_than_t().
namespace steadycell::ecc {

// P(X > t) for X binomial with n trials of probability p: sum over k > t of C(n, k) p^k (1-p)^(n-k), by the incomplete beta
// function (keeps its digits in small tails).
double binomial_tail(std::uint64_t n, std::uint64_t t, double p);

// ln S(w) as above; at most 0. Natural logarithm, since 2^-1080 is no double.
double log_accepted_share(std::uint32_t code_bits, std::uint32_t check_bits, std::uint32_t weight);
// The same for any code: with Reed-Solomon `errors` counts symbols, each wrong in one of 2^symbol_bits - 1 ways.
double log_accepted_share(const PageCode& code, std::uint32_t errors);

// ln P(a step of `bits` random bits has at most t zeros) = ln sum over i <= t of C(bits, i) / 2^bits: the odds that a
// written step looks erased.
double log_looks_erased(std::uint32_t bits, std::uint32_t t);

// Upper end of the one-sided 99 % confidence interval of a probability seen `events` times in `trials` (Clopper and Pearson,
// Biometrika 26, 1934, from memory): the p for which P(X <= events) = 0.01. Without events 1 - 0.01^(1/trials), about
// 4.6 / trials; 1 without trials.
double upper_limit(std::uint64_t events, std::uint64_t trials);

// What the code found over many steps of one chip. Erased steps are counted apart, since cells that hold no charge err
// differently.
class CodeStatistics {
 public:
  explicit CodeStatistics(const PageCode& code);

  void add(StepOutcome outcome);
  void merge(const CodeStatistics& other);  // of the same code

  std::uint64_t codewords() const;  // written ones: clean, corrected and failed
  std::uint64_t clean() const { return by_bits_[0]; }
  std::uint64_t corrected() const { return codewords() - failed_ - clean(); }
  std::uint64_t failed() const { return failed_; }
  std::uint64_t erased() const { return erased_; }
  // [k]: steps in which k bits (Reed-Solomon: symbols) were corrected, k 0..t
  std::span<const std::uint64_t> by_bits() const { return by_bits_; }
  std::uint64_t corrected_bits() const { return corrected_bits_; }
  std::uint64_t bits() const { return codewords() * code_bits_; }
  std::uint32_t t() const { return static_cast<std::uint32_t>(by_bits_.size() - 1); }
  std::uint32_t code_bits() const { return code_bits_; }
  // Corrected bits a bit of the codewords that decoded; 0 when none did.
  double bit_error_rate() const;

  // Upper estimate of P(more than t wrong bits (Reed-Solomon: symbols) in a step), at most 1: the larger of two.
  //  1. Independent errors at the measured rate: the binomial tail at the upper limit of wrong bits a bit, where a failed
  //     step counts as t + 1 wrong bits.
  //  2. Errors cluster, so also as observed: the upper limit of the share of steps that failed, raised by 1 / (1 - S(t)),
  //     since the share S(t) of the words beyond t decodes falsely instead of failing. With no failure in N steps this is
  //     about 4.6 / N, so few steps never prove much. 1 when nothing was measured.
  double more_than_t() const;

 private:
  std::uint64_t wrong_symbols() const;  // bits, with binary codes

  std::uint32_t code_bits_, code_symbols_;
  double accepted_at_t_;  // S(t)
  std::vector<std::uint64_t> by_bits_;
  std::uint64_t failed_ = 0, erased_ = 0, corrected_bits_ = 0;
};

// Bounds on the probability that decoded steps and pages are false, for one chip and code.
class FalseOdds {
 public:
  FalseOdds(const PageCode& code, const CodeStatistics& measured);

  // `trials`: words of this step given to the decoder until one was accepted. A failed step has 1. Never below 1e-300,
  // so that no verdict claims a probability of 0.
  double of_step(StepOutcome outcome, std::uint32_t trials) const;
  // Sum over the steps of a page (union bound), at most 1.
  double of_page(std::span<const StepOutcome> outcomes, std::uint32_t trials) const;

 private:
  std::vector<double> by_bits_;  // of one trial, by corrected bits
  double erased_;
};

}  // namespace steadycell::ecc
