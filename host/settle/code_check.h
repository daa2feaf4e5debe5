#pragma once
#include <optional>
#include <string>

#include "base/json.h"
#include "ecc/odds.h"
#include "image/verdict.h"
#include "settle/hooks.h"
#include "settle/page_source.h"

namespace steadycell::settle {

struct CodeCheck {
  ecc::CodeStatistics measured;         // over all pages that were read
  image::VerdictCounts verdicts;        // what settling would say of these pages, by the rule for verdicts
  double more_than_t = 1;               // upper estimate of P(more than t wrong in a step), on which those rest
  std::uint64_t pages = 0;
};

// Decodes every page by `scheme` (a steadycell-ecc/1 value), changing nothing. First measures error rates on at most 128
// blocks spread evenly, as settling does, then judges all. Errors: as CodeJudge::make, those of the source, interrupted.
Result<CodeCheck> check_code(PageSource& source, const json::Value& scheme, const Hooks& hooks = {});

}  // namespace steadycell::settle
