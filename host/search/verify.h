#pragma once
#include <cstdint>
#include <optional>

#include "ecc/scheme.h"
#include "search/sample.h"

namespace steadycell::search {

// No layout is accepted above this chance, whatever was tried.
inline constexpr double kMostLog10Odds = -12;

struct Found {
  ecc::Scheme scheme;
  std::uint64_t pages_explained = 0;  // of which every step decodes
  std::uint64_t pages_tried = 0;      // written pages of the sample
  // log10 of a bound on the chance that pages without this code fit as well: hypotheses x ways to choose the steps that
  // decode x for each different one the share of words its decoder would accept with so few errors. At most 0.
  double log10_odds = 0;
};

// Decodes the whole sample by `scheme`, after finding the mask that goes with it (scheme.mask is ignored unless
// `mask_is_known`) and how erased steps look. Nothing when the scheme is impossible or the pages do not bear it out: odds
// above kMostLog10Odds, or fewer than four in ten steps decode.
std::optional<Found> verify(const Sample& sample, ecc::Scheme scheme, bool mask_is_known = false);

}  // namespace steadycell::search
