#include "vote/tally.h"

#include <algorithm>
#include <bit>
#include <cassert>
#include <cstring>

#include "vote/kernels.h"

namespace steadycell::vote {
namespace {

std::size_t plane_bytes(std::uint64_t page_bytes) {
  return static_cast<std::size_t>((page_bytes + kChunkBytes - 1) / kChunkBytes) * kChunkBytes;
}
std::uint32_t planes_for(std::uint32_t votes) {
  return static_cast<std::uint32_t>(std::bit_width(votes));
}

}  // namespace

Tally::Tally(std::uint32_t pages, std::uint32_t page_bytes, std::uint32_t max_votes)
    : page_bytes_(page_bytes),
      planes_(planes_for(max_votes)),
      plane_bytes_(plane_bytes(page_bytes)),
      page_stride_(plane_bytes_ * (planes_ + 1)),
      votes_(pages),
      bytes_(pages * page_stride_) {
  assert(max_votes >= 1 && max_votes <= kMaxVotes);
}

std::uint64_t Tally::bytes(std::uint64_t pages, std::uint64_t page_bytes, std::uint32_t max_votes) {
  return pages * (1 + plane_bytes(page_bytes) * (planes_for(max_votes) + 1));
}

// A plane is written for the first time when the votes reach its weight; until then its memory holds anything.
void Tally::clear() { std::fill(votes_.begin(), votes_.end(), std::uint8_t{0}); }

Planes Tally::planes(std::uint32_t page) const {
  // The kernels that take planes of a tally that stays as it is only read them.
  auto* const first = const_cast<std::uint8_t*>(bytes_.data()) + page * page_stride_;
  return {.first = first, .stride = plane_bytes_, .count = planes_for(votes_[page])};
}

const std::uint8_t* Tally::first_of(std::uint32_t page) const { return planes(page).plane(planes_); }

void Tally::add(std::uint32_t page, ByteSpan read) {
  assert(read.size() == page_bytes_);
  const Planes before = planes(page);
  if (votes_[page] == 0) std::memcpy(before.plane(planes_), read.data(), read.size());
  ++votes_[page];
  const std::uint32_t used = planes_for(votes_[page]);  // no count can reach beyond these planes
  assert(used >= 1 && used <= planes_);
  kernels().add(before, read, used > before.count);
}

void Tally::merge(const Tally& later) {
  assert(later.pages() == pages() && later.page_bytes_ == page_bytes_);
  for (std::uint32_t page = 0; page < pages(); ++page) {
    if (later.votes_[page] == 0) continue;
    const Planes before = planes(page);
    if (votes_[page] == 0) std::memcpy(before.plane(planes_), later.first_of(page), page_bytes_);
    votes_[page] = static_cast<std::uint8_t>(votes_[page] + later.votes_[page]);
    const std::uint32_t used = planes_for(votes_[page]);
    assert(used <= planes_);
    kernels().merge(before, later.planes(page), used);
  }
}

std::uint32_t Tally::ones(std::uint32_t page, std::uint64_t bit) const {
  assert(bit < std::uint64_t{page_bytes_} * 8);
  std::uint32_t count = 0;
  for (std::uint32_t plane = 0; plane < planes_for(votes_[page]); ++plane)
    count |= std::uint32_t{planes(page).plane(plane)[bit / 8] >> (bit % 8) & 1U} << plane;
  return count;
}

PageVote Tally::majority(std::uint32_t page, MutableByteSpan out, MutableByteSpan unsure) const {
  assert(out.size() == page_bytes_ && unsure.size() == page_bytes_);
  if (votes_[page] == 0) return {};
  return kernels().settle(planes(page), votes_[page], first_of(page), out, unsure);
}

void Tally::first_vote(std::uint32_t page, MutableByteSpan out) const {
  assert(votes_[page] > 0 && out.size() == page_bytes_);
  std::memcpy(out.data(), first_of(page), page_bytes_);
}

void Tally::dissent(std::uint32_t page, std::uint32_t plane, MutableByteSpan out) const {
  assert(plane < 7 && out.size() == page_bytes_);
  if (plane >= dissent_planes(votes_[page])) {
    std::fill(out.begin(), out.end(), std::uint8_t{0});
    return;
  }
  kernels().dissent(planes(page), votes_[page], plane, out);
}

}  // namespace steadycell::vote
