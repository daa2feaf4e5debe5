#include "search/verify.h"

#include <algorithm>
#include <cmath>
#include <array>
#include <map>

#include "ecc/odds.h"
#include "ecc/page_code.h"
#include "search/evidence.h"

namespace steadycell::search {
namespace {

constexpr std::size_t kMaskPages = 24, kReferencePages = 6;
constexpr double kHypotheses = 1e11;   // more than any search here tests
// A Hamming word with one wrong bit proves next to nothing by itself; where the code bytes of each step lie was seen otherwise.
constexpr double kMostLog10OddsOfHammingStep = -6;
constexpr double kPlacesOfStep = 1e4;  // more than are tried for any one step once the code is known
constexpr double kLeastDecodedShare = 0.4;

constexpr std::size_t kLeastOther = 3;  // words with another value than the usual one, before a byte is proven
constexpr std::size_t kLeastContradicted = 6;

bool fine(const ecc::StepOutcome& outcome) { return outcome.status != ecc::StepStatus::failed; }

Bytes bytes_in(const std::vector<ecc::Range>& ranges, ByteSpan page) {
  Bytes out;
  for (const ecc::Range& range : ranges) out.insert(out.end(), page.begin() + range.offset, page.begin() + range.offset + range.length);
  return out;
}

Bytes xored(Bytes a, ByteSpan b) {
  for (std::size_t i = 0; i < a.size(); ++i) a[i] = static_cast<std::uint8_t>(a[i] ^ b[i]);
  return a;
}

// What values the metadata of each step have in words that decode. A code is linear: a byte that never changes adds the
// same to every word, as a mask does, so that no page can show that the step covers it. And a code for many errors takes what
// stands elsewhere for errors in the bytes that are taken for metadata: these then seldom hold what the code says.
class ValueCounts {
 public:
  explicit ValueCounts(const ecc::Scheme& scheme) : scheme_(scheme), counts_(scheme.steps.size()) {}

  void add(ByteSpan read_page, ByteSpan decoded_page, std::span<const ecc::StepOutcome> outcomes) {
    for (std::size_t i = 0; i < outcomes.size(); ++i)
      for (const ecc::Range& range : scheme_.steps[i].metadata)
        for (std::uint32_t at = range.offset; is_decoded(outcomes[i]) && at < range.offset + range.length; ++at) {
          Counts& counts = counts_[i][at];
          ++counts.decoded[decoded_page[at]];
          if (read_page[at] == decoded_page[at]) ++counts.as_read[decoded_page[at]];
        }
  }

  // Whether some byte mostly holds something else than the code says, in the usual case or whenever that is not the usual value.
  bool contradicted() const {
    for (const auto& bytes : counts_)
      for (const auto& [at, counts] : bytes) {
        const std::size_t usual = usual_of(counts);
        if (counts.decoded[usual] >= kLeastContradicted && counts.as_read[usual] * 2 < counts.decoded[usual]) return true;
        const auto [all, agreeing] = unusual(counts);
        if (all >= kLeastContradicted && agreeing * 2 < all) return true;
      }
    return false;
  }

  std::vector<Unproven> unproven() const {
    std::map<std::uint32_t, std::vector<std::size_t>> steps_of;  // by byte
    for (std::size_t i = 0; i < counts_.size(); ++i)
      for (const auto& [at, counts] : counts_[i])
        if (unusual(counts).second < kLeastOther) steps_of[at].push_back(i);
    std::vector<Unproven> out;
    for (auto& [at, steps] : steps_of)
      if (!out.empty() && out.back().bytes.offset + out.back().bytes.length == at && out.back().steps == steps)
        ++out.back().bytes.length;
      else
        out.push_back({.bytes = {at, 1}, .steps = std::move(steps), .why = Unproven::Why::constant});
    return out;
  }

 private:
  struct Counts {
    std::array<std::size_t, 256> decoded{}, as_read{};
  };

  static std::size_t usual_of(const Counts& counts) {
    return static_cast<std::size_t>(std::max_element(counts.decoded.begin(), counts.decoded.end()) - counts.decoded.begin());
  }
  // Words in which the code says another value than the usual one, and those of them that held it as read.
  static std::pair<std::size_t, std::size_t> unusual(const Counts& counts) {
    const std::size_t usual = usual_of(counts);
    std::size_t all = 0, agreeing = 0;
    for (std::size_t value = 0; value < counts.decoded.size(); ++value)
      if (value != usual) {
        all += counts.decoded[value];
        agreeing += counts.as_read[value];
      }
    return {all, agreeing};
  }

  const ecc::Scheme& scheme_;
  std::vector<std::map<std::uint32_t, Counts>> counts_;
};

// Words of a checksum look like those of a code for one bit where its polynomial has a factor that is such a code's (the CRC of
// x^16 + x^15 + x^2 + 1 is that of m 15 and one parity bit more). Then that bit, which falls among the pad bits, decides: where
// it is set words fail, or one and the same bit is "corrected" in them, whatever it was read as. Errors do neither.
class ChecksumSigns {
 public:
  explicit ChecksumSigns(const ecc::Scheme& scheme) : scheme_(scheme), asked_(scheme.code == ecc::CodeKind::bch && scheme.t == 1) {}

  void add(ByteSpan read_page, std::span<const ecc::StepOutcome> outcomes, std::span<const ecc::WrongBit> wrong) {
    if (!asked_) return;
    const unsigned last_bit = scheme_.bit_order == ecc::BitOrder::msb_first ? 0 : 7;
    for (std::size_t i = 0; i < outcomes.size(); ++i) {
      if (outcomes[i].status == ecc::StepStatus::erased) continue;
      const ecc::Range code = scheme_.steps[i].code.back();
      ++words_[read_page[code.offset + code.length - 1] >> last_bit & 1][is_decoded(outcomes[i])];
    }
    for (const ecc::WrongBit& bit : wrong) ++corrected_[{bit.offset, bit.bit}][bit.read_as_one];
  }

  bool seen() const { return fails_by_last_bit(0) || fails_by_last_bit(1) || one_place_is_corrected(); }

 private:
  bool fails_by_last_bit(std::size_t value) const {
    const auto &these = words_[value], &others = words_[1 - value];
    return these[0] >= kLeastContradicted && these[1] * 10 < these[0] && others[1] >= kLeastContradicted && others[0] * 3 < these[0];
  }
  bool one_place_is_corrected() const {
    const std::size_t decoded_a_step = (words_[0][1] + words_[1][1]) / scheme_.steps.size();
    return std::any_of(corrected_.begin(), corrected_.end(), [&](const auto& place) {
      const auto [zeros, ones] = place.second;
      const std::size_t times = zeros + ones;
      return times >= kLeastContradicted && times * 5 >= decoded_a_step && std::min(zeros, ones) * 4 >= times;
    });
  }

  const ecc::Scheme& scheme_;
  bool asked_;
  std::array<std::array<std::size_t, 2>, 2> words_{};  // [last bit][whether it decodes]
  std::map<std::pair<std::uint32_t, unsigned>, std::array<std::size_t, 2>> corrected_;  // [as read], by place
};

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
      good += static_cast<std::size_t>(std::count_if(outcomes.begin(), outcomes.end(), is_decoded));
    }
    return static_cast<double>(good) / static_cast<double>(pages * outcomes.size());
  }

  // The masks that controllers are known to use, then the one that the pages themselves show.
  bool find_mask() {
    const Bytes none;
    const Bytes inverted(scheme_.steps[0].code_bytes(), 0xFF);
    std::vector<Bytes> masks{none, inverted, erased_mask()};
    const std::size_t known = masks.size();
    if (auto shown = mask_of_differences()) masks.push_back(std::move(*shown));
    double best = 0;
    for (std::size_t i = 0; i < masks.size(); ++i)
      if (const double share = share_with(masks[i]); share > best) {
        best = share;
        scheme_.mask = masks[i];
        derived_ = i >= known;
      }
    return best >= kLeastDecodedShare;
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
        for (std::size_t step = 0; step < good.size(); ++step) good[step] += is_decoded(outcomes[step]) ? 1 : 0;
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

  // Each step must bear out the scheme by itself: one whose place is wrong would hide behind the others.
  std::optional<Found> weigh() const {
    auto code = ecc::PageCode::make(scheme_);
    if (!code) return std::nullopt;
    Found found;
    found.scheme = scheme_;
    found.pages_tried = sample_.pages();
    found.mask_is_derived = derived_;
    std::vector<ecc::StepOutcome> outcomes(code->steps());
    Evidence evidence(*code);
    ValueCounts values(scheme_);
    ChecksumSigns checksum(scheme_);
    std::vector<ecc::WrongBit> wrong;
    for (std::size_t i = 0; i < sample_.pages(); ++i) {
      Bytes page(sample_.page(i).begin(), sample_.page(i).end());
      code->decode(page, outcomes, &wrong);
      evidence.add(page, outcomes);
      checksum.add(sample_.page(i), outcomes, wrong);
      values.add(sample_.page(i), page, outcomes);
      found.pages_explained += std::all_of(outcomes.begin(), outcomes.end(), fine) ? 1 : 0;
      found.steps_explained += static_cast<std::uint64_t>(std::count_if(outcomes.begin(), outcomes.end(), fine));
    }
    // One word's worth of evidence went into a mask that was read off the pages.
    const double given_away = derived_ ? code->check_bits() * std::log(2.0) : 0.0;
    const auto log10_odds = [&](double log_chance, double tried) {
      return std::min(0.0, (log_chance + given_away + std::log(tried)) / std::log(10.0));
    };
    const bool hamming = scheme_.code == ecc::CodeKind::hamming;
    for (std::size_t step = 0; step < code->steps(); ++step) {
      const Evidence::Count& count = evidence.of_step(step);
      if (static_cast<double>(count.words_decoded) < kLeastDecodedShare * static_cast<double>(count.words)) return std::nullopt;
      if (log10_odds(count.log_chance(), hamming ? 1 : kPlacesOfStep) > (hamming ? kMostLog10OddsOfHammingStep : kMostLog10Odds))
        return std::nullopt;
    }
    if (values.contradicted() || checksum.seen()) return std::nullopt;
    found.log10_odds = log10_odds(evidence.all().log_chance(), kHypotheses);
    if (found.log10_odds > kMostLog10Odds) return std::nullopt;
    found.unproven = values.unproven();
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

std::optional<Found> best_of(std::vector<Found> found) {
  if (found.empty()) return std::nullopt;
  const auto most = std::max_element(found.begin(), found.end(),
                                     [](const Found& a, const Found& b) { return a.steps_explained < b.steps_explained; });
  std::map<std::pair<std::uint32_t, std::uint32_t>, std::vector<std::size_t>> steps_of;
  for (const Found& other : found)
    for (std::size_t step = 0; step < most->scheme.steps.size(); ++step) {
      if (other.steps_explained * 50 < most->steps_explained * 49) break;
      const std::vector<ecc::Range>& taken = most->scheme.steps[step].metadata;
      if (other.scheme.steps[step].metadata == taken) continue;
      for (const ecc::Range& range : taken) {
        std::vector<std::size_t>& steps = steps_of[{range.offset, range.length}];
        if (std::find(steps.begin(), steps.end(), step) == steps.end()) steps.push_back(step);
      }
    }
  for (auto& [range, steps] : steps_of) {
    std::sort(steps.begin(), steps.end());
    // Where they never change that has been said.
    const bool told = std::any_of(most->unproven.begin(), most->unproven.end(), [&, &range = range, &steps = steps](const Unproven& known) {
      return known.bytes == ecc::Range{range.first, range.second} && known.steps == steps;
    });
    if (!told) most->unproven.push_back({.bytes = {range.first, range.second}, .steps = steps, .why = Unproven::Why::elsewhere});
  }
  return std::move(*most);
}

}  // namespace steadycell::search
