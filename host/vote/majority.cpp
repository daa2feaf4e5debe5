#include "vote/majority.h"

#include <algorithm>
#include <bit>
#include <cassert>

#include "vote/kernels.h"

namespace steadycell::vote {

std::uint32_t dissent_planes(std::uint32_t votes) { return static_cast<std::uint32_t>(std::bit_width(votes / 2)); }

void vote_unit(std::span<const ByteSpan> passes, const UnitVote& into) {
  assert(!passes.empty() && passes.size() <= kMaxVotes);
  assert(into.pages.empty() ? into.voted.empty() : into.voted.size() % into.pages.size() == 0);
  assert(into.unsure.size() == into.voted.size());
  assert(std::all_of(passes.begin(), passes.end(), [&](ByteSpan pass) { return pass.size() == into.voted.size(); }));
  assert(into.dissent.empty() || into.dissent.size() == dissent_planes(static_cast<std::uint32_t>(passes.size())));
  kernels().vote_unit(passes, into);
}

PageVote majority(std::span<const ByteSpan> passes, MutableByteSpan voted, MutableByteSpan unsure) {
  PageVote result;
  vote_unit(passes, {.voted = voted, .unsure = unsure, .pages = std::span(&result, 1), .dissent = {}});
  return result;
}

}  // namespace steadycell::vote
