#pragma once
#include <optional>

#include "search/layout_search.h"
#include "settle/hooks.h"
#include "settle/page_source.h"

namespace steadycell::settle {

struct CodeSearch {
  std::optional<search::Found> found;  // nothing: no algebraic code found
  std::uint64_t pages_tried = 0;       // written pages of the sample
  std::uint64_t different_pages = 0;   // of these; fewer than two prove nothing, and then nothing is tried
  std::uint64_t erased_pages = 0;      // met while the sample was taken
  std::uint64_t hypotheses = 0;
  std::vector<search::Task> tried;     // the parts that had something to test, in no order
};

// Looks for the ECC layout on at most 256 written pages spread evenly, on `threads` threads. The parts of the search run
// in a fixed order; when one finds a code that the pages bear out, the rest is left. Errors: those of the source, interrupted: nothing of a
// search is kept.
Result<CodeSearch> find_code(PageSource& source, unsigned threads, const Hooks& hooks = {});

}  // namespace steadycell::settle
