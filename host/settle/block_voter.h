#pragma once
#include <cstdint>
#include <optional>
#include <vector>

#include "passes/block_passes.h"
#include "settle/lost_units.h"
#include "vote/majority.h"
#include "vote/tally.h"

namespace steadycell::settle {

inline constexpr std::uint8_t kFill = 0xFF;  // of pages that no pass read: as an erased cell reads, harmless to whatever parses the image

// Memory for votes that a settling job allows itself: seven passes of blocks of 256 pages of 16 KiB + 2 KiB lie side by side in it.
inline constexpr std::uint64_t kVoterBytes = std::uint64_t{32} << 20;

// A page as its passes voted. `voted` and `unsure` are the voter's, until its next page.
struct VotedPage {
  vote::PageVote vote;
  ByteSpan voted;    // kFill without votes
  ByteSpan unsure;   // 1 where passes disagreed
};

// Votes the pages of one block over all passes that have it, each page in one sweep. Nearly always the passes come page by page, pass 1
// and the differences to it (passes/block_passes.h). Else their reads lie side by side in memory. Where so many do not fit, they are
// counted pass after pass; a block whose counters would not fit either is taken in slices of pages, each of which goes through the
// passes anew: slow, but memory does not grow with the chip or the passes.
class BlockVoter {
 public:
  // `memory`: most bytes of reads or counters, and half as many again of what comes page by page.
  // `times`, which may be null, hears how long reading and voting take.
  BlockVoter(passes::CaptureReader& reader, std::uint64_t memory, passes::StageTimes* times = nullptr);

  std::uint32_t pages_per_slice() const { return static_cast<std::uint32_t>(votes_.size()); }
  // Takes in all passes over the pages from `first_page` of the block to the end of the slice or of the block.
  // Fails only when the medium does; units that are damaged abstain and are listed.
  Result<void> take(UnitPlace place, BlockAddress block, std::uint32_t first_page);
  // That block will be taken next: what it begins with is read and hashed beside the work on this one.
  void expect(UnitPlace place, BlockAddress block);

  std::uint32_t pages() const { return pages_; }  // in the slice just taken; 0 is the first of them
  // Each page once, in ascending order. `dissent` has room for the planes of as many votes as the capture has passes, and gets the
  // vote::dissent_planes(vote.votes) of the page one after the other; or it is empty, and vote.dissents counts nothing.
  // Fails only when the medium does.
  Result<VotedPage> vote(std::uint32_t page, MutableByteSpan dissent = {});
  // Why the page was not read, in the last pass that has its block; `read` when at least one pass read it.
  passes::PageStatus status(std::uint32_t page) const { return status_[page]; }
  // Reads of the page that failed.
  std::uint32_t failed_reads(std::uint32_t page) const { return failed_[page]; }
  // What was lost since the last forget_lost(); a sweep over the image meets each block once.
  const LostUnits& lost() const { return lost_; }
  void forget_lost() { lost_.clear(); }

 private:
  // A unit as one pass read it.
  struct Read {
    Bytes raw;
    std::vector<passes::PageStatus> status;
  };
  bool take_by_pages(UnitPlace place, BlockAddress block);
  Result<void> take_whole();
  void forget_counts();
  Result<void> take_side_by_side();
  Result<void> take_one_by_one();
  // Whether the unit is there to vote; units come by pass.
  Result<bool> came(const passes::UnitRead& unit);
  void count_pages(std::span<const passes::PageStatus> status);
  // Collect in sweep_ what votes on the page of the block.
  Result<void> gather_by_pages(std::uint32_t in_block);
  void gather_side_by_side(std::uint32_t in_block);
  vote::PageVote sweep(std::span<const MutableByteSpan> dissent);
  vote::PageVote count(std::uint32_t page, std::span<const MutableByteSpan> dissent);
  template <typename Work>
  auto timed(std::string_view stage, const Work& work) {
    return times_ != nullptr ? times_->time(stage, work) : work();
  }

  passes::CaptureReader* reader_;
  passes::StageTimes* times_;
  Geometry geometry_;
  bool side_by_side_;                 // the reads fit so
  std::optional<vote::Tally> tally_;  // where they do not; made when first needed
  std::vector<Read> reads_;           // side by side, by unit of the block; else one
  std::vector<passes::UnitRead> units_;
  std::vector<const Read*> voters_;   // side by side: those that came, in the order of their passes
  passes::BlockPasses by_pages_;
  std::optional<UnitAddress> come_by_pages_;  // a unit of the block, when its passes do
  std::vector<UnitAddress> addresses_;
  std::vector<ByteSpan> pages_of_passes_;
  Bytes zeros_;  // a page
  std::uint32_t first_page_ = 0, pages_ = 0;
  std::vector<std::uint32_t> votes_, failed_;
  std::vector<passes::PageStatus> status_;
  LostUnits lost_;
  std::vector<ByteSpan> sweep_;  // the reads of the page at work
  ByteSpan turned_by_;           // what they all are XORed with: a majority does not mind. Empty: nothing
  Bytes voted_, unsure_;
};

}  // namespace steadycell::settle
