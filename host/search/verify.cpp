#include "search/verify.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <set>

#include "ecc/odds.h"
#include "ecc/page_code.h"

namespace steadycell::search {
namespace {

constexpr std::size_t kMaskPages = 24, kReferencePages = 6;
constexpr double kHypotheses = 1e11;  // more than any search here tests
constexpr double kLeastShare = 0.4;

bool decoded(const ecc::StepOutcome& outcome) {
  return outcome.status == ecc::StepStatus::clean || outcome.status == ecc::StepStatus::corrected;
}

Bytes bytes_in(const std::vector<ecc::Range>& ranges, ByteSpan page) {
  Bytes out;
  for (const ecc::Range& range : ranges) out.insert(out.end(), page.begin() + range.offset, page.begin() + range.offset + range.length);
  return out;
}

Bytes xored(Bytes a, ByteSpan b) {
  for (std::size_t i = 0; i < a.size(); ++i) a[i] = static_cast<std::uint8_t>(a[i] ^ b[i]);
  return a;
}

Bytes word_of(const ecc::Step& step, ByteSpan page) {
  Bytes word = bytes_in(step.data, page);
  for (const auto* ranges : {&step.metadata, &step.code}) {
    const Bytes more = bytes_in(*ranges, page);
    word.insert(word.end(), more.begin(), more.end());
  }
  return word;
}

class Verifier {
 public:
  Verifier(const Sample& sample, ecc::Scheme scheme) : sample_(sample), scheme_(std::move(scheme)) {}

  std::optional<Found> run(bool mask_is_known) {
    scheme_.erased = ecc::ErasedAs::all_ff;
    if (!ecc::parse_scheme(ecc::to_json(scheme_))) return std::nullopt;
    if (!mask_is_known && !find_mask()) return std::nullopt;
    if (std::all_of(scheme_.mask.begin(), scheme_.mask.end(), [](std::uint8_t byte) { return byte == 0; })) scheme_.mask.clear();
    scheme_.erased = erased_look();
    return weigh();
  }

 private:
  std::optional<ecc::PageCode> code_with(Bytes mask) const {
    ecc::Scheme scheme = scheme_;
    scheme.mask = std::move(mask);
    auto code = ecc::PageCode::make(scheme);
    if (!code) return std::nullopt;
    return std::move(*code);
  }

  std::size_t page_at(std::size_t k, std::size_t of) const { return k * sample_.pages() / of; }

  // Share of steps that decode with this mask, over some pages.
  double share_with(const Bytes& mask) const {
    auto code = code_with(mask);
    if (!code) return 0;
    const std::size_t pages = std::min(kMaskPages, sample_.pages());
    std::vector<ecc::StepOutcome> outcomes(code->steps());
    std::size_t good = 0;
    for (std::size_t k = 0; k < pages; ++k) {
      const ByteSpan page = sample_.page(page_at(k, pages));
      Bytes work(page.begin(), page.end());
      code->decode(work, outcomes);
      good += static_cast<std::size_t>(std::count_if(outcomes.begin(), outcomes.end(), decoded));
    }
    return static_cast<double>(good) / static_cast<double>(pages * outcomes.size());
  }

  // The masks that controllers are known to use, then the one that the pages themselves show.
  bool find_mask() {
    const Bytes none;
    const Bytes inverted(scheme_.steps[0].code_bytes(), 0xFF);
    std::vector<Bytes> masks{none, inverted, erased_mask()};
    if (auto shown = mask_of_differences()) {
      masks.push_back(std::move(*shown));
      derived_ = true;
    }
    double best = 0;
    for (const Bytes& mask : masks)
      if (const double share = share_with(mask); share > best) {
        best = share;
        scheme_.mask = mask;
      }
    return best >= kLeastShare;
  }

  // Makes FF everywhere a codeword.
  Bytes erased_mask() const {
    auto code = code_with({});
    Bytes page(sample_.raw_page_bytes(), 0xFF);
    if (code) code->encode(page);
    return xored(bytes_in(scheme_.steps[0].code, page), Bytes(scheme_.steps[0].code_bytes(), 0xFF));
  }

  // The XOR of two pages is free of any fixed mask, and its errors are those of both. What is found in most XORs with one
  // page are the errors of that page; without them its code bytes show the mask.
  std::optional<Bytes> mask_of_differences() const {
    auto code = code_with({});
    if (!code) return std::nullopt;
    const std::size_t references = std::min(kReferencePages, sample_.pages()), others = std::min(kMaskPages, sample_.pages());
    std::map<Bytes, std::size_t> votes;
    std::vector<ecc::StepOutcome> outcomes(code->steps());
    std::vector<ecc::WrongBit> wrong;
    for (std::size_t r = 0; r < references; ++r) {
      const std::size_t reference = page_at(r, references);
      std::map<std::pair<std::uint32_t, unsigned>, std::size_t> seen;
      std::vector<std::size_t> good(code->steps());
      for (std::size_t k = 0; k < others; ++k) {
        if (page_at(k, others) == reference) continue;
        const ByteSpan page = sample_.page(reference);
        Bytes both = xored(Bytes(page.begin(), page.end()), sample_.page(page_at(k, others)));
        code->decode(both, outcomes, &wrong);
        for (std::size_t step = 0; step < good.size(); ++step) good[step] += decoded(outcomes[step]) ? 1 : 0;
        for (const ecc::WrongBit& bit : wrong) ++seen[{bit.offset, bit.bit}];
      }
      Bytes page(sample_.page(reference).begin(), sample_.page(reference).end());
      for (const auto& [at, times] : seen)
        if (2 * times > good[step_of(at.first)]) page[at.first] = static_cast<std::uint8_t>(page[at.first] ^ (1u << at.second));
      Bytes encoded = page;
      code->encode(encoded);
      for (std::size_t step = 0; step < good.size(); ++step)
        if (good[step] >= 3) ++votes[xored(bytes_in(scheme_.steps[step].code, encoded), bytes_in(scheme_.steps[step].code, page))];
    }
    if (votes.empty()) return std::nullopt;
    return std::max_element(votes.begin(), votes.end(), [](const auto& a, const auto& b) { return a.second < b.second; })->first;
  }

  std::size_t step_of(std::uint32_t offset) const {
    for (std::size_t step = 0; step < scheme_.steps.size(); ++step)
      for (const auto* ranges : {&scheme_.steps[step].data, &scheme_.steps[step].metadata, &scheme_.steps[step].code})
        for (const ecc::Range& range : *ranges)
          if (offset >= range.offset && offset < range.offset + range.length) return step;
    return 0;
  }

  ecc::ErasedAs erased_look() const {
    ecc::Scheme scheme = scheme_;
    scheme.erased = ecc::ErasedAs::codeword;
    auto code = ecc::PageCode::make(scheme);
    Bytes page(sample_.raw_page_bytes(), 0xFF);
    std::vector<ecc::StepOutcome> outcomes(scheme.steps.size());
    if (code) code->decode(page, outcomes);
    const bool all = std::all_of(outcomes.begin(), outcomes.end(), [](const auto& o) { return o.status == ecc::StepStatus::erased; });
    return code && all ? ecc::ErasedAs::codeword : ecc::ErasedAs::all_ff;
  }

  // A step counts as evidence once, and only where it is far from empty: words alike prove nothing more, and all zeros are a
  // codeword of every code.
  std::optional<Found> weigh() const {
    auto code = ecc::PageCode::make(scheme_);
    if (!code) return std::nullopt;
    Found found{.scheme = scheme_, .pages_explained = 0, .pages_tried = sample_.pages(), .log10_odds = 0};
    std::vector<ecc::StepOutcome> outcomes(code->steps());
    std::set<Bytes> words;
    std::uint64_t telling = 0, good = 0;
    double log_odds = std::log(kHypotheses);
    for (std::size_t i = 0; i < sample_.pages(); ++i) {
      Bytes page(sample_.page(i).begin(), sample_.page(i).end());
      code->decode(page, outcomes);
      bool whole = true;
      for (std::size_t step = 0; step < outcomes.size(); ++step) {
        if (outcomes[step].status == ecc::StepStatus::erased) continue;
        whole &= decoded(outcomes[step]);
        Bytes word = word_of(scheme_.steps[step], page);
        const std::uint64_t ones = count_ones(word), bits = word.size() * 8;
        if (std::min(ones, bits - ones) < std::min<std::uint64_t>(256, bits / 8) || !words.insert(std::move(word)).second) continue;
        ++telling;
        if (!decoded(outcomes[step])) continue;
        ++good;
        log_odds += ecc::log_accepted_share(*code, outcomes[step].errors());
      }
      found.pages_explained += whole ? 1 : 0;
    }
    if (telling == 0 || static_cast<double>(good) < kLeastShare * static_cast<double>(telling)) return std::nullopt;
    const auto log_factorial = [](std::uint64_t n) { return std::lgamma(static_cast<double>(n) + 1); };
    log_odds += log_factorial(telling) - log_factorial(good) - log_factorial(telling - good);
    if (derived_) log_odds += code->check_bits() * std::log(2.0);  // one word's worth of evidence went into the mask
    found.log10_odds = std::min(0.0, log_odds / std::log(10.0));
    if (found.log10_odds > kMostLog10Odds) return std::nullopt;
    return found;
  }

  const Sample& sample_;
  ecc::Scheme scheme_;
  bool derived_ = false;
};

}  // namespace

std::optional<Found> verify(const Sample& sample, ecc::Scheme scheme, bool mask_is_known) {
  if (sample.pages() == 0 || scheme.steps.empty()) return std::nullopt;
  return Verifier(sample, std::move(scheme)).run(mask_is_known);
}

}  // namespace steadycell::search
