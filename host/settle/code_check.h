#pragma once
#include <optional>
#include <string>

#include "base/json.h"
#include "ecc/odds.h"
#include "image/verdict.h"
#include "search/evidence.h"
#include "settle/hooks.h"
#include "settle/page_source.h"

namespace steadycell::settle {

struct CodeCheck {
  ecc::CodeStatistics measured;         // over all pages that were read
  image::VerdictCounts verdicts;        // what settling would say of these pages, by the rule for verdicts
  image::VerdictCounts erased_verdicts;  // of these, those of pages of which every step is erased
  std::uint64_t erased_bits = 0;         // zeros in such pages, which settling makes ones
  search::Evidence::Count evidence;      // what the codewords prove that are no repetition and not nearly empty
  double more_than_t = 1;               // upper estimate of P(more than t wrong in a step), on which those rest
  std::uint64_t pages = 0;
};

// Decodes every page by `scheme` (a steadycell-ecc/1 value), changing nothing. First measures error rates on at most 128
// blocks spread evenly, as settling does, then judges all. Errors: as CodeJudge::make, those of the source, interrupted.
Result<CodeCheck> check_code(PageSource& source, const json::Value& scheme, const Hooks& hooks = {});

}  // namespace steadycell::settle
