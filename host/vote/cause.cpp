#include "vote/cause.h"

#include <algorithm>
#include <cassert>
#include <numeric>

#include "base/bits.h"
#include "vote/odds.h"

namespace steadycell::vote {
namespace {

constexpr double kSignificance = 0.001;
constexpr double kExpectedForChiSquare = 5;  // bits a lane, the usual rule for Pearson's test
constexpr std::size_t kFirstBytes = 16;
constexpr std::uint64_t kBitsForFirstBytes = 4;
constexpr std::uint64_t kBitsForDirection = 8;  // by chance all alike once in 128

// Calls `visit` with the place of every byte that is not 0.
template <typename Visit>
void for_each_set_byte(ByteSpan mask, const Visit& visit) {
  for (std::size_t at = next_set_byte(mask, 0); at < mask.size(); at = next_set_byte(mask, at + 1)) visit(at);
}

}  // namespace

std::string_view to_text(Cause cause) {
  switch (cause) {
    case Cause::weak_cells:
      return "weak_cells";
    case Cause::one_lane:
      return "one_lane";
    case Cause::none:
      break;
  }
  return "none";
}

std::optional<Cause> parse_cause(std::string_view text) {
  for (const Cause cause : {Cause::none, Cause::weak_cells, Cause::one_lane}) {
    if (to_text(cause) == text) return cause;
  }
  return std::nullopt;
}

std::uint64_t LaneCounts::total() const {
  return std::accumulate(bits.begin(), bits.end(), std::uint64_t{0});
}

void LaneCounts::add(ByteSpan mask) {
  assert(lanes == 8 || lanes == 16);
  for_each_set_byte(mask, [&](std::size_t at) {
    const std::size_t base = at % (lanes / 8) * 8;
    for (unsigned left = mask[at]; left != 0; left &= left - 1) {
      ++bits[base + static_cast<std::size_t>(std::countr_zero(left))];
    }
  });
}

void LaneCounts::add(const LaneCounts& other) {
  assert(lanes == other.lanes);
  for (std::size_t lane = 0; lane < bits.size(); ++lane) bits[lane] += other.bits[lane];
}

LaneEvidence lane_evidence(const LaneCounts& counts) {
  LaneEvidence evidence;
  const std::uint64_t total = counts.total();
  if (total == 0) return evidence;
  const auto fullest = std::max_element(counts.bits.begin(), counts.bits.begin() + counts.lanes);
  evidence.fullest = static_cast<std::uint32_t>(fullest - counts.bits.begin());
  evidence.share = static_cast<double>(*fullest) / static_cast<double>(total);
  const double fair = 1.0 / counts.lanes;
  const double expected = static_cast<double>(total) * fair;
  for (std::uint32_t lane = 0; lane < counts.lanes; ++lane) {
    const double off = static_cast<double>(counts.bits[lane]) - expected;
    evidence.chi_square += off * off / expected;
  }
  evidence.p = expected >= kExpectedForChiSquare
                   ? chi_square_upper_tail(evidence.chi_square, counts.lanes - 1)
                   : std::min(1.0, counts.lanes * binomial_upper_tail(total, *fullest, fair));
  if (evidence.p < kSignificance && evidence.share > 2 * fair) evidence.lane = evidence.fullest;
  return evidence;
}

Notes notes_on(ByteSpan unsure, ByteSpan voted) {
  assert(unsure.size() == voted.size());
  std::uint64_t total = 0, at_ones = 0;
  for_each_set_byte(unsure, [&](std::size_t at) {
    total += static_cast<std::uint64_t>(std::popcount(unsure[at]));
    at_ones += static_cast<std::uint64_t>(std::popcount(static_cast<std::uint8_t>(unsure[at] & voted[at])));
  });
  const std::uint64_t early = count_ones(unsure.first(std::min(kFirstBytes, unsure.size())));
  Notes notes;
  notes.first_bytes = total >= kBitsForFirstBytes && early == total;
  notes.only_0_to_1 = total >= kBitsForDirection && at_ones == 0;
  notes.only_1_to_0 = total >= kBitsForDirection && at_ones == total;
  return notes;
}

Cause cause_of(const LaneCounts& page, const LaneEvidence& around) {
  const std::uint64_t total = page.total();
  if (total == 0) return Cause::none;
  if (lane_evidence(page).lane) return Cause::one_lane;
  const bool follows = around.lane && 2 * page.bits[*around.lane] > total;
  return follows ? Cause::one_lane : Cause::weak_cells;
}

}  // namespace steadycell::vote
