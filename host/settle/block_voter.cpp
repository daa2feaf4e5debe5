#include "settle/block_voter.h"

#include <algorithm>
#include <array>

#include "base/bits.h"
#include "vote/majority.h"

namespace steadycell::settle {
namespace {

static_assert(passes::UnitIndex::kMaxPass <= vote::kMaxVotes);

std::uint32_t most_votes(const passes::CaptureReader& reader) { return std::max(reader.units().passes(), 1U); }

// As many whole pages as fit, at least one.
std::uint32_t slice_pages(const Geometry& geometry, std::uint32_t votes, std::uint64_t memory) {
  const std::uint64_t a_page = vote::Tally::bytes(1, geometry.raw_page_bytes(), votes);
  return static_cast<std::uint32_t>(std::clamp<std::uint64_t>(memory / a_page, 1, geometry.pages_per_block));
}

}  // namespace

BlockVoter::BlockVoter(passes::CaptureReader& reader, std::uint64_t memory, passes::StageTimes* times)
    : reader_(&reader),
      times_(times),
      geometry_(reader.head().geometry),
      zeros_(geometry_.raw_page_bytes()),
      voted_(geometry_.raw_page_bytes()),
      unsure_(geometry_.raw_page_bytes()) {
  const std::uint32_t votes = most_votes(reader);
  std::uint32_t pages = geometry_.pages_per_block;
  if (votes * geometry_.block_raw_bytes() > memory) {
    pages = slice_pages(geometry_, votes, memory);
    tally_.emplace(pages, geometry_.raw_page_bytes(), votes);
  }
  votes_.resize(pages);
  failed_.resize(pages);
  status_.resize(pages);
}

Result<void> BlockVoter::take(UnitPlace place, BlockAddress block, std::uint32_t first_page) {
  first_page_ = first_page;
  pages_ = std::min(pages_per_slice(), geometry_.pages_per_block - first_page);
  std::fill(votes_.begin(), votes_.end(), 0U);
  std::fill(failed_.begin(), failed_.end(), 0U);
  std::fill(status_.begin(), status_.end(), passes::PageStatus::not_read);
  units_.clear();
  const std::uint32_t passes = most_votes(*reader_);
  for (std::uint32_t pass = 1; pass <= passes; ++pass)
    if (const UnitAddress unit{place, block, pass}; reader_->units().has(unit)) units_.push_back({.unit = unit, .out = {}, .status = {}});
  const std::size_t buffers = tally_ ? 1 : units_.size();
  while (reads_.size() < buffers)
    reads_.push_back({.raw = Bytes(geometry_.block_raw_bytes()), .status = std::vector<passes::PageStatus>(geometry_.pages_per_block)});
  return tally_ ? take_one_by_one() : take_side_by_side();
}

Result<void> BlockVoter::take_side_by_side() {
  for (std::size_t i = 0; i < units_.size(); ++i) {
    units_[i].out = reads_[i].raw;
    units_[i].status = reads_[i].status;
  }
  timed("reading", [&] {
    reader_->read_for_vote(units_);
    make_all_differences();
  });
  voters_.clear();
  for (std::size_t i = 0; i < units_.size(); ++i) {
    const auto is_there = came(units_[i]);
    if (!is_there) return failure(is_there.error());
    if (!*is_there) continue;
    voters_.push_back(&reads_[i]);
    count_pages(reads_[i]);
  }
  return {};
}

// Where one is a difference, all of them become some. Whole ones beside it are those too noisy to be stored otherwise: few blocks have any.
void BlockVoter::make_all_differences() {
  differ_from_ = nullptr;
  for (const passes::UnitRead& unit : units_)
    if (unit.difference_to) differ_from_ = &reads_[static_cast<std::size_t>(unit.difference_to - units_.data())];
  if (!differ_from_) return;
  for (const passes::UnitRead& unit : units_)
    if (unit.got && !unit.difference_to && unit.out.data() != differ_from_->raw.data()) xor_into(unit.out, differ_from_->raw);
}

Result<void> BlockVoter::take_one_by_one() {
  tally_->clear();
  Read& read = reads_[0];
  for (passes::UnitRead& unit : units_) {
    unit.got = timed("reading", [&] { return reader_->read_unit(unit.unit, read.raw, read.status); });
    const auto is_there = came(unit);
    if (!is_there) return failure(is_there.error());
    if (!*is_there) continue;
    count_pages(read);
    timed("voting", [&] {
      const std::uint32_t page_bytes = geometry_.raw_page_bytes();
      for (std::uint32_t page = 0; page < pages_; ++page)
        if (read.status[first_page_ + page] == passes::PageStatus::read)
          tally_->add(page, ByteSpan(read.raw).subspan(std::size_t{first_page_ + page} * page_bytes, page_bytes));
    });
  }
  return {};
}

Result<bool> BlockVoter::came(const passes::UnitRead& unit) {
  if (unit.got) return true;
  if (!LostUnits::is_loss(unit.got.error())) return failure(unit.got.error());
  lost_.add(unit.unit, unit.got.error());
  return false;
}

void BlockVoter::count_pages(const Read& read) {
  for (std::uint32_t page = 0; page < pages_; ++page) {
    const passes::PageStatus status = read.status[first_page_ + page];
    if (status == passes::PageStatus::read) {
      ++votes_[page];
      status_[page] = status;
    } else {
      if (status != passes::PageStatus::not_read) ++failed_[page];
      if (votes_[page] == 0) status_[page] = status;
    }
  }
}

vote::PageVote BlockVoter::sweep(std::uint32_t page, std::span<const MutableByteSpan> dissent) {
  if (tally_) {
    for (std::uint32_t plane = 0; plane < dissent.size(); ++plane) tally_->dissent(page, plane, dissent[plane]);
    return tally_->majority(page, voted_, unsure_);
  }
  sweep_.clear();
  const std::size_t page_bytes = geometry_.raw_page_bytes(), in_unit = first_page_ + page;
  const auto page_of = [&](const Read& read) { return ByteSpan(read.raw).subspan(in_unit * page_bytes, page_bytes); };
  for (const Read* read : voters_)
    if (read->status[in_unit] == passes::PageStatus::read) sweep_.push_back(read == differ_from_ ? ByteSpan(zeros_) : page_of(*read));
  vote::PageVote result;
  vote::vote_unit(sweep_, {.voted = voted_, .unsure = unsure_, .pages = std::span(&result, 1), .dissent = dissent});
  if (differ_from_) xor_into(voted_, page_of(*differ_from_));
  return result;
}

VotedPage BlockVoter::vote(std::uint32_t page, MutableByteSpan dissent) {
  VotedPage result{.vote = {}, .voted = voted_, .unsure = unsure_, .dissent = {}};
  if (votes_[page] == 0) {
    std::fill(voted_.begin(), voted_.end(), kFill);
    std::fill(unsure_.begin(), unsure_.end(), std::uint8_t{0});
    return result;
  }
  const std::size_t page_bytes = geometry_.raw_page_bytes();
  const std::size_t count = dissent.empty() ? 0 : vote::dissent_planes(votes_[page]);
  std::array<MutableByteSpan, vote::kMaxDissentPlanes> planes;
  for (std::size_t plane = 0; plane < count; ++plane) planes[plane] = dissent.subspan(plane * page_bytes, page_bytes);
  result.vote = timed("voting", [&] { return sweep(page, std::span(planes).first(count)); });
  result.dissent = dissent.first(count * page_bytes);
  return result;
}

}  // namespace steadycell::settle
