#pragma once
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "base/address.h"
#include "base/bytes.h"
#include "base/json.h"
#include "base/result.h"
#include "ecc/odds.h"
#include "ecc/page_code.h"
#include "image/verdict.h"
#include "vote/tally.h"

namespace steadycell::settle {

// `confirmed` and `corrected` need a bound on being false of at most this (docs/design.md, rule 2).
inline constexpr double kMostFalseOdds = 1e-6;
// Error rates are measured on at most so many blocks, spread evenly.
inline constexpr std::uint64_t kMeasuredBlocks = 128;

struct Judgement {
  image::Verdict verdict = image::Verdict::doubtful;
  image::By by = image::By::vote;
  std::uint32_t corrected_bits = 0;  // bits of `best` that differ from the vote
  std::optional<double> false_odds;  // nothing where no code vouches
  friend bool operator==(const Judgement&, const Judgement&) = default;
};

// Without a code, all that is known is whether the passes agree: two or more that do are `steady`; one alone, or any
// wavering bit, is `doubtful`.
Judgement judge_without_code(const vote::PageVote& vote);

// What decoding one page showed. Its verdict waits for error rates.
struct Decoding {
  image::By by = image::By::code;
  std::uint32_t corrected_bits = 0;  // bits of `best` that differ from the vote
  bool wavers_outside = false;       // bits outside what the code covers
};

// Judges pages by a code. Either first measure() on a sample of the chip, then judge() every page; or decode() every page,
// then measure_decoded(), then rule() on each: the same verdicts as with a sample of all pages.
class CodeJudge {
 public:
  // bad_input_file when the scheme is none, or is not for pages of this geometry.
  static Result<CodeJudge> make(const json::Value& scheme, const Geometry& geometry);

  // Adds what the code says of a voted page to the statistics that the odds rest on.
  void measure(ByteSpan voted);
  const ecc::CodeStatistics& measured() const { return measured_; }
  // Over all judged pages.
  const ecc::CodeStatistics& judged() const { return judged_; }

  // Corrects `voted` into `best`. A page of which a step fails is `doubtful`, and its other steps stay corrected. The
  // verdict is about the bytes that the code covers; wavering bits elsewhere are counted in loose_pages().
  Judgement judge(const vote::PageVote& vote, ByteSpan voted, ByteSpan unsure, MutableByteSpan best);

  const ecc::PageCode& code() const { return code_; }
  // The first half of judge(): all but the verdict. outcomes() has the steps, until the next page.
  Decoding decode(const vote::PageVote& vote, ByteSpan voted, ByteSpan unsure, MutableByteSpan best);
  // Of the page last judged or decoded.
  std::span<const ecc::StepOutcome> outcomes() const { return outcomes_; }
  // Lets the odds rest on all pages decoded so far.
  void measure_decoded();
  // The second half.
  Judgement rule(const Decoding& page, std::span<const ecc::StepOutcome> outcomes);

  // Over all judged pages.
  std::optional<double> raw_bit_error_rate() const;
  std::vector<std::string> notes() const;

 private:
  CodeJudge(ecc::PageCode code, const Geometry& geometry);
  bool looks_unwritten_outside(ByteSpan page) const;

  ecc::PageCode code_;
  Geometry geometry_;
  Bytes outside_;  // FF where no step covers the byte
  std::vector<ecc::StepOutcome> outcomes_;
  Bytes scratch_;
  ecc::CodeStatistics measured_, judged_;
  std::optional<ecc::FalseOdds> odds_;  // of what was measured so far; made when first needed
  std::uint64_t loose_pages_ = 0;  // vouched for, with wavering bits outside what the code covers
};

}  // namespace steadycell::settle
