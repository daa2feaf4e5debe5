#pragma once
#include <cstdint>
#include <optional>
#include <vector>

#include "ecc/scheme.h"
#include "search/sample.h"

namespace steadycell::search {

// No layout is accepted above this chance, whatever was tried.
inline constexpr double kMostLog10Odds = -12;

// Metadata that the scheme takes for covered by these steps, without proof.
struct Unproven {
  enum class Why : std::uint8_t {
    constant,  // the same in all words that decode: neither that the steps cover it nor which of them do can be seen
    elsewhere  // other bytes in its place explain the pages as well
  };
  ecc::Range bytes;
  std::vector<std::size_t> steps;
  Why why = Why::constant;
  friend bool operator==(const Unproven&, const Unproven&) = default;
};

struct Found {
  ecc::Scheme scheme;
  std::uint64_t pages_explained = 0;  // of which every step decodes
  std::uint64_t steps_explained = 0;  // steps that decode, in all pages
  std::uint64_t pages_tried = 0;      // written pages of the sample
  // log10 of a bound on the chance that pages without this code fit as well: hypotheses x ways to choose the steps that
  // decode x for each different one the share of words its decoder would accept with so few errors. At most 0.
  double log10_odds = 0;
  bool mask_is_derived = false;  // read off the pages: constant bytes that the code covers as well would be part of it
  std::vector<Unproven> unproven;
};

// Decodes the whole sample by `scheme`, after finding the mask that goes with it (scheme.mask is ignored unless
// `mask_is_known`) and how erased steps look. Nothing when the scheme is impossible or the pages do not bear it out: odds
// above kMostLog10Odds, or fewer than four in ten
// decode, of the first, the second or any other step of the pages: each proves its own place.
std::optional<Found> verify(const Sample& sample, ecc::Scheme scheme, bool mask_is_known = false);

// Of several layouts that the pages bear out the one that explains most steps; of equals the first. Metadata in whose place another
// one has other bytes, and explains nearly as many, are unproven.
std::optional<Found> best_of(std::vector<Found> found);

}  // namespace steadycell::search
