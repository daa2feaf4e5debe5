#include "search/evidence.h"

#include <algorithm>
#include <cmath>
#include <functional>

#include "base/bits.h"
#include "ecc/odds.h"

namespace steadycell::search {
Evidence::Evidence(const ecc::PageCode& code) : code_(&code), steps_(code.steps()) {}

void Evidence::add(ByteSpan decoded_page, std::span<const ecc::StepOutcome> outcomes) {
  for (std::size_t i = 0; i < outcomes.size() && seen_.words.size() < kMostWords; ++i) {
    if (outcomes[i].status == ecc::StepStatus::erased) continue;
    const ecc::Step& step = code_->scheme().steps[i];
    word_.clear();
    for (const auto* ranges : {&step.data, &step.metadata, &step.code})
      for (const ecc::Range& range : *ranges) {
        const ByteSpan part = decoded_page.subspan(range.offset, range.length);
        word_.insert(word_.end(), part.begin(), part.end());
      }
    const std::uint64_t ones = count_ones(word_), bits = word_.size() * 8;
    if (std::min(ones, bits - ones) < std::min<std::uint64_t>(256, bits / 8)) continue;
    const std::hash<std::string_view> hash;
    const std::size_t word = hash(as_text(word_)), code = hash(as_text(ByteSpan(word_).last(step.code_bytes())));
    const bool decoded = is_decoded(outcomes[i]);
    const double log_share = decoded ? ecc::log_accepted_share(*code_, outcomes[i].errors()) : 0;
    const auto count = [&](Seen& seen, Count& into) {
      if (!seen.words.insert(word).second) return;
      ++into.words;
      if (decoded) ++into.words_decoded;
      if (decoded && !seen.codes.insert(code).second) return;
      ++into.telling;
      if (!decoded) return;
      ++into.decoded;
      into.log_shares += log_share;
    };
    count(seen_, all_);
    count(steps_[i].seen, steps_[i].count);
  }
}

double Evidence::Count::log_chance() const {
  const auto log_factorial = [](std::uint64_t n) { return std::lgamma(static_cast<double>(n) + 1); };
  return std::min(0.0, log_shares + log_factorial(telling) - log_factorial(decoded) - log_factorial(telling - decoded));
}

}  // namespace steadycell::search
