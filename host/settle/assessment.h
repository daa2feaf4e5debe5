#pragma once
#include <optional>

#include "assess/content.h"
#include "settle/hooks.h"
#include "settle/page_source.h"

namespace steadycell::settle {

// Linear complexity of the first 1024 bits of pages, or of XORs of pages that differ there. About 512 where there
// is no structure.
struct ComplexityFigures {
  std::uint64_t measured = 0;
  unsigned lowest = 0, median = 0;
};

struct Assessment {
  assess::Content content = assess::Content::unsure;
  std::string because;
  assess::PageCounts pages;
  assess::ByteCounts written;  // data bytes of all written pages
  assess::Cancellation cancellation;
  ComplexityFigures of_constant, of_pages, of_xors;
  std::optional<assess::Whitening> whitening;  // borne out; nothing else is told
  std::uint64_t too_many_sequences = 0;        // of a period whose table would be larger than a key may be
};

// Goes through all pages once, then compares excerpts of at most 512 blocks, then looks for the whitening on at
// most 64 pages a sequence: figures first, then "the whitening". Memory does not grow with the chip. Errors: those
// of the source, interrupted.
Result<Assessment> assess_content(PageSource& source, const Hooks& hooks = {});

}  // namespace steadycell::settle
