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
      side_by_side_(most_votes(reader) * geometry_.block_raw_bytes() <= memory),
      by_pages_(reader, memory / 2),
      zeros_(geometry_.raw_page_bytes()),
      voted_(geometry_.raw_page_bytes()),
      unsure_(geometry_.raw_page_bytes()) {
  const std::uint32_t pages = side_by_side_ ? geometry_.pages_per_block : slice_pages(geometry_, most_votes(reader), memory);
  votes_.resize(pages);
  failed_.resize(pages);
  status_.resize(pages);
}

Result<void> BlockVoter::take(UnitPlace place, BlockAddress block, std::uint32_t first_page) {
  first_page_ = first_page;
  pages_ = std::min(pages_per_slice(), geometry_.pages_per_block - first_page);
  addresses_.clear();
  const std::uint32_t passes = most_votes(*reader_);
  for (std::uint32_t pass = 1; pass <= passes; ++pass)
    if (const UnitAddress unit{place, block, pass}; reader_->units().has(unit)) addresses_.push_back(unit);
  if (!take_by_pages(place, block)) return take_whole();
  forget_counts();
  for (std::size_t unit = 0; unit < addresses_.size(); ++unit) count_pages(by_pages_.status(unit));
  return {};
}

// A later slice of the block goes on where the one before ended.
bool BlockVoter::take_by_pages(UnitPlace place, BlockAddress block) {
  const UnitAddress pass_1{place, block, 1};
  if (first_page_ > 0) return come_by_pages_ == pass_1;
  const bool begun = timed("reading", [&] { return by_pages_.begin(addresses_); });
  come_by_pages_ = begun ? std::optional(pass_1) : std::nullopt;
  return begun;
}

Result<void> BlockVoter::take_whole() {
  come_by_pages_.reset();
  forget_counts();
  units_.clear();
  for (const UnitAddress unit : addresses_) units_.push_back({.unit = unit, .out = {}, .status = {}});
  const std::size_t buffers = side_by_side_ ? units_.size() : 1;
  while (reads_.size() < buffers)
    reads_.push_back({.raw = Bytes(geometry_.block_raw_bytes()), .status = std::vector<passes::PageStatus>(geometry_.pages_per_block)});
  return side_by_side_ ? take_side_by_side() : take_one_by_one();
}

void BlockVoter::forget_counts() {
  std::fill(votes_.begin(), votes_.end(), 0U);
  std::fill(failed_.begin(), failed_.end(), 0U);
  std::fill(status_.begin(), status_.end(), passes::PageStatus::not_read);
}

Result<void> BlockVoter::take_side_by_side() {
  for (std::size_t i = 0; i < units_.size(); ++i) {
    units_[i].out = reads_[i].raw;
    units_[i].status = reads_[i].status;
  }
  timed("reading", [&] { reader_->read_units(units_); });
  voters_.clear();
  for (std::size_t i = 0; i < units_.size(); ++i) {
    const auto is_there = came(units_[i]);
    if (!is_there) return failure(is_there.error());
    if (!*is_there) continue;
    voters_.push_back(&reads_[i]);
    count_pages(reads_[i].status);
  }
  return {};
}

Result<void> BlockVoter::take_one_by_one() {
  if (tally_) tally_->clear();
  else tally_.emplace(pages_per_slice(), geometry_.raw_page_bytes(), most_votes(*reader_));
  Read& read = reads_[0];
  for (passes::UnitRead& unit : units_) {
    unit.out = read.raw;
    unit.status = read.status;
    timed("reading", [&] { reader_->read_units(std::span(&unit, 1)); });
    const auto is_there = came(unit);
    if (!is_there) return failure(is_there.error());
    if (!*is_there) continue;
    count_pages(read.status);
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
  lost_.add(unit);
  return false;
}

void BlockVoter::expect(UnitPlace place, BlockAddress block) {
  if (come_by_pages_ && reader_->units().has({place, block, 1})) timed("reading", [&] { by_pages_.expect({place, block, 1}); });
}

void BlockVoter::count_pages(std::span<const passes::PageStatus> unit) {
  for (std::uint32_t page = 0; page < pages_; ++page) {
    const passes::PageStatus status = unit[first_page_ + page];
    if (status == passes::PageStatus::read) {
      ++votes_[page];
      status_[page] = status;
    } else {
      if (status != passes::PageStatus::not_read) ++failed_[page];
      if (votes_[page] == 0) status_[page] = status;
    }
  }
}

Result<void> BlockVoter::gather_by_pages(std::uint32_t in_block) {
  pages_of_passes_.resize(addresses_.size());
  auto got = timed("reading", [&] { return by_pages_.page(in_block, pages_of_passes_); });
  if (!got) return got;
  sweep_.clear();
  turned_by_ = pages_of_passes_[0];
  for (std::size_t unit = 0; unit < addresses_.size(); ++unit)
    if (by_pages_.status(unit)[in_block] == passes::PageStatus::read)
      sweep_.push_back(unit == 0 ? ByteSpan(zeros_) : pages_of_passes_[unit]);
  return {};
}

void BlockVoter::gather_side_by_side(std::uint32_t in_block) {
  sweep_.clear();
  turned_by_ = {};
  const std::size_t page_bytes = geometry_.raw_page_bytes();
  for (const Read* read : voters_)
    if (read->status[in_block] == passes::PageStatus::read)
      sweep_.push_back(ByteSpan(read->raw).subspan(in_block * page_bytes, page_bytes));
}

vote::PageVote BlockVoter::sweep(std::span<const MutableByteSpan> dissent) {
  vote::PageVote result;
  vote::vote_unit(sweep_, {.voted = voted_, .unsure = unsure_, .pages = std::span(&result, 1), .dissent = dissent});
  if (!turned_by_.empty()) xor_into(voted_, turned_by_);
  return result;
}

vote::PageVote BlockVoter::count(std::uint32_t page, std::span<const MutableByteSpan> dissent) {
  for (std::uint32_t plane = 0; plane < dissent.size(); ++plane) tally_->dissent(page, plane, dissent[plane]);
  return tally_->majority(page, voted_, unsure_);
}

Result<VotedPage> BlockVoter::vote(std::uint32_t page, MutableByteSpan dissent) {
  VotedPage result{.vote = {}, .voted = voted_, .unsure = unsure_};
  const std::uint32_t in_block = first_page_ + page;
  if (come_by_pages_ && votes_[page] > 0) {
    if (const auto gathered = gather_by_pages(in_block); !gathered) {
      // Hashed as it was stored, and no difference all the same: from here on the block is voted by what read_units finds right.
      if (!LostUnits::is_loss(gathered.error())) return failure(gathered.error());
      if (const auto taken = take_whole(); !taken) return failure(taken.error());
    }
  }
  if (votes_[page] == 0) {
    std::fill(voted_.begin(), voted_.end(), kFill);
    std::fill(unsure_.begin(), unsure_.end(), std::uint8_t{0});
    return result;
  }
  const std::size_t page_bytes = geometry_.raw_page_bytes();
  const std::size_t plane_count = dissent.empty() ? 0 : vote::dissent_planes(votes_[page]);
  std::array<MutableByteSpan, vote::kMaxDissentPlanes> all;
  for (std::size_t plane = 0; plane < plane_count; ++plane) all[plane] = dissent.subspan(plane * page_bytes, page_bytes);
  const auto planes = std::span(all).first(plane_count);
  if (!come_by_pages_ && side_by_side_) gather_side_by_side(in_block);
  result.vote = timed("voting", [&] { return come_by_pages_ || side_by_side_ ? sweep(planes) : count(page, planes); });
  return result;
}

}  // namespace steadycell::settle
