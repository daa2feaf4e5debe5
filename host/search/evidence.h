#pragma once
#include <cstdint>
#include <unordered_set>
#include <vector>

#include "ecc/page_code.h"

namespace steadycell::search {

// How much decoded steps prove that pages have a code at all.
//
// A step counts once for each different word, and only where it is far from empty: words alike prove nothing more, and
// nothing but zeros is a word of every linear code without a mask, as FF throughout may be with one. Words that decode count once
// for each value of their code bytes: regular contents (tables that count up, patterns) differ by words of many codes, so that
// bytes that never change would seem to protect them. At most kMostWords
// different words are remembered, so that memory stays the same however large the chip.
class Evidence {
 public:
  static constexpr std::size_t kMostWords = 1 << 16;

  explicit Evidence(const ecc::PageCode& code);  // which must outlive it

  // One page as decode() left it.
  void add(ByteSpan decoded_page, std::span<const ecc::StepOutcome> outcomes);

  struct Count {
    std::uint64_t words = 0, words_decoded = 0;  // different ones
    std::uint64_t telling = 0, decoded = 0;      // the same, but those that decode by their code bytes alone: words that count; of these
    double log_shares = 0;                   // of words accepted with so few errors, multiplied
    // Natural logarithm of a bound on the chance that pages without this code fit as well: the ways to choose the words that
    // decode, times for each the share of words that its decoder would accept with so few errors. At most 0; 0 when nothing tells.
    double log_chance() const;
  };
  const Count& all() const { return all_; }
  const Count& of_step(std::size_t step) const { return steps_[step].count; }

 private:
  struct Seen {
    std::unordered_set<std::size_t> words, codes;
  };
  struct OfStep {
    Count count;
    Seen seen;
  };
  const ecc::PageCode* code_;
  std::vector<OfStep> steps_;
  Count all_;
  Seen seen_;
  Bytes word_;
};

// Whether the step is a codeword now.
constexpr bool is_decoded(const ecc::StepOutcome& outcome) {
  return outcome.status == ecc::StepStatus::clean || outcome.status == ecc::StepStatus::corrected;
}

}  // namespace steadycell::search
