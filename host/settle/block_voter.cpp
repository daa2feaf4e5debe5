#include "settle/block_voter.h"

#include <algorithm>

#include "vote/majority.h"

namespace steadycell::settle {
namespace {

// As many whole pages as fit, at least one.
std::uint32_t slice_pages(const Geometry& geometry, std::uint32_t votes, std::uint64_t memory) {
  const std::uint64_t a_page = vote::Tally::bytes(1, geometry.raw_page_bytes(), votes);
  return static_cast<std::uint32_t>(std::clamp<std::uint64_t>(memory / a_page, 1, geometry.pages_per_block));
}

static_assert(passes::UnitIndex::kMaxPass <= vote::kMaxVotes);

std::uint32_t most_votes(const passes::CaptureReader& reader) { return std::max(reader.units().passes(), 1U); }

// The unit is not as it was written, or its file was dropped on purpose. Anything else concerns the medium or us.
bool is_loss(const Error& error) {
  return error.code() == ErrorCode::file_damaged || error.code() == ErrorCode::hash_mismatch ||
         error.code() == ErrorCode::not_found;
}

}  // namespace

BlockVoter::BlockVoter(passes::CaptureReader& reader, std::uint64_t memory, passes::StageTimes* times)
    : reader_(&reader),
      times_(times),
      geometry_(reader.head().geometry),
      tally_(slice_pages(geometry_, most_votes(reader), memory), geometry_.raw_page_bytes(), most_votes(reader)),
      unit_(geometry_.block_raw_bytes()),
      unit_status_(geometry_.pages_per_block),
      status_(tally_.pages()),
      failed_(tally_.pages()) {}

Result<void> BlockVoter::vote(UnitPlace place, BlockAddress block, std::uint32_t first_page) {
  tally_.clear();
  pages_ = std::min(tally_.pages(), geometry_.pages_per_block - first_page);
  std::fill(status_.begin(), status_.end(), passes::PageStatus::not_read);
  std::fill(failed_.begin(), failed_.end(), 0U);
  const std::uint32_t passes = most_votes(*reader_);
  for (std::uint32_t pass = 1; pass <= passes; ++pass) {
    const UnitAddress unit{.place = place, .block = block, .pass = pass};
    if (!reader_->units().has(unit)) continue;
    if (const auto read = timed("reading", [&] { return reader_->read_unit(unit, unit_, unit_status_); }); !read) {
      if (!is_loss(read.error())) return failure(read.error());
      const auto same = [&](const LostUnit& lost) { return lost.unit == unit; };
      if (std::none_of(lost_.begin(), lost_.end(), same)) lost_.push_back({unit, read.error().what()});
      continue;
    }
    timed("voting", [&] { count_votes(first_page); });
  }
  return {};
}

// Of the pass that was just read.
void BlockVoter::count_votes(std::uint32_t first_page) {
  const std::uint32_t page_bytes = geometry_.raw_page_bytes();
  for (std::uint32_t page = 0; page < pages_; ++page) {
    const passes::PageStatus status = unit_status_[first_page + page];
    if (status == passes::PageStatus::read) {
      tally_.add(page, ByteSpan(unit_).subspan(std::size_t{first_page + page} * page_bytes, page_bytes));
      status_[page] = status;
    } else {
      if (status != passes::PageStatus::not_read) ++failed_[page];
      if (tally_.votes(page) == 0) status_[page] = status;
    }
  }
}

}  // namespace steadycell::settle
