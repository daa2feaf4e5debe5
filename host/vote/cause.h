#pragma once
#include <array>
#include <cstdint>
#include <optional>
#include <string_view>

#include "base/bytes.h"

namespace steadycell::vote {

// Why a page wavers, as far as the pattern of its wavering bits tells.
enum class Cause : std::uint8_t {
  none,        // nothing wavers
  weak_cells,  // spread over the I/O lanes as chance would
  one_lane,    // gathered on one I/O line: look at that contact before blaming the cells
};
std::string_view to_text(Cause cause);  // "none", "weak_cells", "one_lane"
std::optional<Cause> parse_cause(std::string_view text);

// Wavering bits per I/O lane. On an x8 bus, lane i is bit i of every byte; on x16 the odd bytes of a page
// travel on lanes 8..15.
struct LaneCounts {
  std::array<std::uint64_t, 16> bits{};
  std::uint32_t lanes = 8;  // 8 or 16

  std::uint64_t total() const;
  // Counts the ones of `mask`, a whole page.
  void add(ByteSpan mask);
  void add(const LaneCounts& other);  // requires the same number of lanes
};

// Do the wavering bits gather on one lane? With at least 5 expected a lane, Pearson's chi-square decides; below
// that, the exact binomial tail of the fullest lane times the number of lanes (Bonferroni). A lane is named only
// when p < 0.001 and it holds more than twice its fair share (more than 25 % of the bits on eight lanes).
struct LaneEvidence {
  double chi_square = 0;              // over lanes - 1 degrees of freedom; 0 without bits
  double p = 1;                       // chance of a spread this uneven when all lanes are alike
  std::uint32_t fullest = 0;          // the lane with most bits; the lowest of equals
  double share = 0;                   // its part of all bits
  std::optional<std::uint32_t> lane;  // the lane to look at, when the evidence is strong enough
};
LaneEvidence lane_evidence(const LaneCounts& counts);

// Patterns worth a note beside the cause. They accuse nothing alone: few bits show any pattern by chance.
struct Notes {
  bool first_bytes = false;  // all wavering bits lie in the first 16 bytes, at least 4 of them: timing after tR
  bool only_0_to_1 =
      false;  // all wavering bits, at least 8, are voted 0 and were sometimes read 1; SLC: charge loss
  bool only_1_to_0 = false;  // all wavering bits, at least 8, are voted 1 and were sometimes read 0; SLC: disturb
};
Notes notes_on(ByteSpan unsure, ByteSpan voted);

// The cause of one page. A page with too few wavering bits to tell by itself follows `around` (the counts of its
// block, itself included): when they accuse a lane and more than half of the page's bits lie on that lane, so does
// it.
Cause cause_of(const LaneCounts& page, const LaneEvidence& around);

}  // namespace steadycell::vote
