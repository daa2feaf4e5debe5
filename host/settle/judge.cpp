#include "settle/judge.h"

#include <algorithm>
#include <bit>
#include <cassert>
#include <cstring>

#include "base/bits.h"
#include "base/text.h"
#include "ecc/scheme.h"

namespace steadycell::settle {
namespace {

// Whether any bit is set in both. Words first: nearly always none is.
bool meet(ByteSpan a, ByteSpan b) {
  std::size_t at = 0;
  for (; at + 8 <= a.size(); at += 8) {
    std::uint64_t x = 0, y = 0;
    std::memcpy(&x, a.data() + at, 8);
    std::memcpy(&y, b.data() + at, 8);
    if ((x & y) != 0) return true;
  }
  for (; at < a.size(); ++at)
    if ((a[at] & b[at]) != 0) return true;
  return false;
}

Bytes outside_of(const ecc::Scheme& scheme) {
  Bytes outside(scheme.raw_page_bytes(), 0xFF);
  for (const ecc::Step& step : scheme.steps) {
    for (const auto* ranges : {&step.data, &step.metadata, &step.code}) {
      for (const ecc::Range& range : *ranges) {
        std::fill_n(outside.begin() + range.offset, range.length, std::uint8_t{0});
      }
    }
  }
  return outside;
}

}  // namespace

Judgement judge_without_code(const vote::PageVote& vote) {
  Judgement judgement;
  if (vote.votes >= 2 && vote.unstable_bits == 0) judgement.verdict = image::Verdict::steady;
  return judgement;
}

CodeJudge::CodeJudge(ecc::PageCode code, const Geometry& geometry)
    : code_(std::move(code)),
      geometry_(geometry),
      outside_(outside_of(code_.scheme())),
      outcomes_(code_.steps()),
      scratch_(geometry.raw_page_bytes()),
      measured_(code_),
      judged_(code_) {}

Result<CodeJudge> CodeJudge::make(const json::Value& scheme, const Geometry& geometry) {
  const auto parsed = ecc::parse_scheme(scheme);
  if (!parsed) return failure(parsed.error());
  if (parsed->page_bytes != geometry.page_bytes || parsed->spare_bytes != geometry.spare_bytes) {
    return failure(
        Error(ErrorCode::bad_input_file, fmt::format("the scheme is for pages of {} + {} bytes, the chip has {} + {}", parsed->page_bytes,
                                                     parsed->spare_bytes, geometry.page_bytes, geometry.spare_bytes))
            .advising("give a scheme for pages of this size (steadycell ecc find looks for it); capture settle works without one, too"));
  }
  auto code = ecc::PageCode::make(*parsed);
  if (!code) return failure(code.error());
  return CodeJudge(std::move(*code), geometry);
}

void CodeJudge::measure(ByteSpan voted) {
  std::copy(voted.begin(), voted.end(), scratch_.begin());
  code_.decode(scratch_, outcomes_);
  for (const ecc::StepOutcome& outcome : outcomes_) measured_.add(outcome);
  odds_.reset();
}

// Nothing was written outside the steps when no byte there has more than one zero, and all of them together no more
// than an erased step may have. A bad-block mark keeps standing: it has several zeros in one byte.
bool CodeJudge::looks_unwritten_outside(ByteSpan page) const {
  std::uint32_t zeros = 0;
  for (std::size_t at = 0; at < page.size(); ++at) {
    const int in_byte = std::popcount(static_cast<std::uint8_t>(outside_[at] & ~page[at]));
    if (in_byte > 1) return false;
    zeros += static_cast<std::uint32_t>(in_byte);
  }
  return zeros <= code_.t();
}

void CodeJudge::measure_decoded() {
  measured_ = judged_;
  odds_.reset();
}

Judgement CodeJudge::judge(const vote::PageVote& vote, ByteSpan voted, ByteSpan unsure, MutableByteSpan best) {
  const Decoding page = decode(vote, voted, unsure, best);
  return rule(page, outcomes_);
}

Decoding CodeJudge::decode(const vote::PageVote& vote, ByteSpan voted, ByteSpan unsure, MutableByteSpan best) {
  assert(voted.size() == geometry_.raw_page_bytes() && best.size() == voted.size());
  std::copy(voted.begin(), voted.end(), best.begin());
  code_.decode(best, outcomes_);
  for (const ecc::StepOutcome& outcome : outcomes_) judged_.add(outcome);

  const bool erased = std::all_of(outcomes_.begin(), outcomes_.end(),
                                  [](const auto& step) { return step.status == ecc::StepStatus::erased; });
  if (erased && looks_unwritten_outside(best)) std::fill(best.begin(), best.end(), std::uint8_t{0xFF});

  Decoding page;
  page.by = erased ? image::By::erased : image::By::code;
  page.corrected_bits = static_cast<std::uint32_t>(count_differing(voted, best));
  page.wavers_outside = vote.unstable_bits > 0 && meet(unsure, outside_);
  return page;
}

Judgement CodeJudge::rule(const Decoding& page, std::span<const ecc::StepOutcome> outcomes) {
  Judgement judgement;
  judgement.by = page.by;
  judgement.corrected_bits = page.corrected_bits;
  const auto failed = [](const ecc::StepOutcome& step) { return step.status == ecc::StepStatus::failed; };
  if (std::any_of(outcomes.begin(), outcomes.end(), failed)) return judgement;

  if (!odds_) odds_.emplace(code_, measured_);
  judgement.false_odds = odds_->of_page(outcomes, 1);
  if (*judgement.false_odds > kMostFalseOdds) return judgement;
  judgement.verdict = judgement.corrected_bits == 0 ? image::Verdict::confirmed : image::Verdict::corrected;
  if (page.wavers_outside) ++loose_pages_;
  return judgement;
}

std::optional<double> CodeJudge::raw_bit_error_rate() const {
  if (judged_.codewords() == judged_.failed()) return std::nullopt;
  return judged_.bit_error_rate();
}

std::vector<std::string> CodeJudge::notes() const {
  std::vector<std::string> notes;
  notes.push_back(fmt::format("odds rest on {} codewords measured before judging: {} failed, {:.2e} wrong bits a bit in the others, "
                              "more than {} wrong in one with a chance of at most {:.1e}",
                              measured_.codewords(), measured_.failed(), measured_.bit_error_rate(), code_.t(),
                              measured_.more_than_t()));
  if (judged_.failed() > 0) {
    notes.push_back(fmt::format("{} of {} codewords failed; they stand as voted", judged_.failed(), judged_.codewords()));
  }
  if (loose_pages_ > 0) {
    notes.push_back(fmt::format("{} that the code vouches for {} wavering bits outside the bytes it covers; those bits stand as voted",
                                counted(loose_pages_, "page"), loose_pages_ == 1 ? "has" : "have"));
  }
  return notes;
}

}  // namespace steadycell::settle
