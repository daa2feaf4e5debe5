#include "vote/tally.h"

#include <algorithm>
#include <bit>
#include <cassert>

#include "vote/majority.h"
#include "vote/words.h"

namespace steadycell::vote {
namespace {

std::size_t plane_words(std::uint64_t page_bytes) {
  return static_cast<std::size_t>((page_bytes + kChunkBytes - 1) / kChunkBytes) * kChunkWords;
}
std::uint32_t planes_for(std::uint32_t votes) {
  return static_cast<std::uint32_t>(std::bit_width(votes));
}

std::uint32_t count_ones(const Chunk& chunk) {
  int ones = 0;
  for (const std::uint64_t word : chunk.word) ones += std::popcount(word);
  return static_cast<std::uint32_t>(ones);
}

// The planes of one chunk of a page, those that hold counts up to `votes`.
std::array<Chunk, 8> load_planes(const std::uint64_t* from, std::size_t stride, std::uint32_t count) {
  std::array<Chunk, 8> planes;
  for (std::uint32_t plane = 0; plane < count; ++plane) planes[plane] = Chunk::load(from + plane * stride);
  return planes;
}

// min(k, n-k) in bit-sliced form: n-k where more than half are ones, else k. The subtraction is that of a constant
// minus each count, borrow by borrow.
void fold_to_dissent(std::array<Chunk, 8>& planes, std::uint32_t count, std::uint32_t votes) {
  const Chunk most_are_ones = compare(planes.data(), count, votes / 2).greater;
  Chunk borrow;
  for (std::uint32_t plane = 0; plane < count; ++plane) {
    const Chunk k = planes[plane];
    Chunk difference = k ^ borrow;
    if ((votes >> plane & 1U) != 0) {
      difference = difference ^ Chunk::ones();
      borrow = borrow & k;
    } else {
      borrow = borrow | k;
    }
    planes[plane] = (most_are_ones & difference) | and_not(k, most_are_ones);
  }
}

}  // namespace

Tally::Tally(std::uint32_t pages, std::uint32_t page_bytes, std::uint32_t max_votes)
    : page_bytes_(page_bytes),
      planes_(planes_for(max_votes)),
      plane_words_(plane_words(page_bytes)),
      page_stride_(plane_words_ * (planes_ + 1)),
      votes_(pages),
      words_(pages * page_stride_) {
  assert(max_votes >= 1 && max_votes <= kMaxVotes);
}

std::uint64_t Tally::bytes(std::uint64_t pages, std::uint64_t page_bytes, std::uint32_t max_votes) {
  return pages * (1 + plane_words(page_bytes) * sizeof(std::uint64_t) * (planes_for(max_votes) + 1));
}

// A plane is written for the first time when the votes reach its weight; until then its memory holds anything.
void Tally::clear() { std::fill(votes_.begin(), votes_.end(), std::uint8_t{0}); }

void Tally::add(std::uint32_t page, ByteSpan read) {
  assert(read.size() == page_bytes_);
  std::uint64_t* const first_plane = planes(page);
  const std::uint32_t before = planes_for(votes_[page]);
  const std::uint32_t votes = ++votes_[page];
  const std::uint32_t used = planes_for(votes);  // no count can reach beyond these planes
  assert(used >= 1 && used <= planes_);
  for (std::size_t at = 0; at < page_bytes_; at += kChunkBytes) {
    std::uint64_t* const here = first_plane + at / sizeof(std::uint64_t);
    Chunk carry = Chunk::load(read, at);
    if (votes == 1) carry.store(here + planes_ * plane_words_);
    for (std::uint32_t plane = 0; plane < before; ++plane) {
      const Chunk count = Chunk::load(here + plane * plane_words_);
      (count ^ carry).store(here + plane * plane_words_);
      carry = count & carry;
    }
    if (used > before) carry.store(here + before * plane_words_);
  }
}

void Tally::merge(const Tally& later) {
  assert(later.pages() == pages() && later.page_bytes_ == page_bytes_);
  for (std::uint32_t page = 0; page < pages(); ++page) {
    if (later.votes_[page] == 0) continue;
    const std::uint32_t mine = planes_for(votes_[page]);
    const std::uint32_t theirs = planes_for(later.votes_[page]);
    votes_[page] = static_cast<std::uint8_t>(votes_[page] + later.votes_[page]);
    const std::uint32_t used = planes_for(votes_[page]);
    assert(used <= planes_);
    for (std::size_t word = 0; word < plane_words_; word += kChunkWords) {
      std::uint64_t* const here = planes(page) + word;
      const std::uint64_t* const there = later.planes(page) + word;
      if (mine == 0) Chunk::load(there + later.planes_ * plane_words_).store(here + planes_ * plane_words_);
      Chunk carry;
      for (std::uint32_t plane = 0; plane < used; ++plane) {
        const Chunk a = plane < mine ? Chunk::load(here + plane * plane_words_) : Chunk{};
        const Chunk b = plane < theirs ? Chunk::load(there + plane * plane_words_) : Chunk{};
        const Sum sum = add_three(a, b, carry);
        sum.sum.store(here + plane * plane_words_);
        carry = sum.carry;
      }
    }
  }
}

std::uint32_t Tally::ones(std::uint32_t page, std::uint64_t bit) const {
  assert(bit < std::uint64_t{page_bytes_} * 8);
  std::uint32_t count = 0;
  for (std::uint32_t plane = 0; plane < planes_for(votes_[page]); ++plane) {
    std::uint8_t byte = 0;
    std::memcpy(&byte, reinterpret_cast<const std::uint8_t*>(planes(page) + plane * plane_words_) + bit / 8, 1);
    count |= std::uint32_t{byte >> (bit % 8) & 1U} << plane;
  }
  return count;
}

PageVote Tally::majority(std::uint32_t page, MutableByteSpan out, MutableByteSpan unsure) const {
  assert(out.size() == page_bytes_ && unsure.size() == page_bytes_);
  PageVote result;
  const std::uint32_t votes = votes_[page];
  result.votes = votes;
  if (votes == 0) return result;
  const std::uint32_t used = planes_for(votes);
  for (std::size_t at = 0; at < page_bytes_; at += kChunkBytes) {
    const std::uint64_t* const here = planes(page) + at / sizeof(std::uint64_t);
    std::array<Chunk, 8> counts = load_planes(here, plane_words_, used);
    const Chunk wavering = unsteady(counts.data(), used, votes);
    wavering.store(unsure, at);
    if (!wavering.any()) {  // nearly every chunk of a healthy chip: all votes are the first
      Chunk::load(here + planes_ * plane_words_).store(out, at);
      continue;
    }
    const Comparison half = compare(counts.data(), used, votes / 2);
    Chunk value = half.greater;
    if (votes % 2 == 0) {
      value = value | (half.equal & Chunk::load(here + planes_ * plane_words_));
      result.tied_bits += count_ones(half.equal);
    }
    value.store(out, at);
    result.unstable_bits += count_ones(wavering);
    fold_to_dissent(counts, used, votes);
    for (std::uint32_t plane = 0; plane < dissent_planes(votes); ++plane) {
      result.dissents += std::uint64_t{count_ones(counts[plane])} << plane;
    }
  }
  return result;
}

void Tally::first_vote(std::uint32_t page, MutableByteSpan out) const {
  assert(votes_[page] > 0 && out.size() == page_bytes_);
  std::memcpy(out.data(), planes(page) + planes_ * plane_words_, page_bytes_);
}

std::uint32_t Tally::dissent_planes(std::uint32_t votes) {
  return planes_for(votes / 2);
}

void Tally::dissent(std::uint32_t page, std::uint32_t plane, MutableByteSpan out) const {
  assert(plane < 7 && out.size() == page_bytes_);
  const std::uint32_t votes = votes_[page];
  if (plane >= dissent_planes(votes)) {
    std::fill(out.begin(), out.end(), std::uint8_t{0});
    return;
  }
  const std::uint32_t used = planes_for(votes);
  for (std::size_t at = 0; at < page_bytes_; at += kChunkBytes) {
    std::array<Chunk, 8> counts = load_planes(planes(page) + at / sizeof(std::uint64_t), plane_words_, used);
    fold_to_dissent(counts, used, votes);
    counts[plane].store(out, at);
  }
}

}  // namespace steadycell::vote
