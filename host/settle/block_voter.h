#pragma once
#include <cstdint>
#include <vector>

#include "passes/capture.h"
#include "vote/tally.h"

namespace steadycell::settle {

// A unit that the capture lists but that could not be read back: it does not vote.
struct LostUnit {
  UnitAddress unit;
  std::string why;
};

// Counts the votes of one block, pass after pass. A block whose counters would not fit is taken in slices of pages,
// each of which goes through the passes anew: slow, but memory does not grow with the chip or the passes.
class BlockVoter {
 public:
  // `memory`: most bytes of counters.
  // `times`, which may be null, hears how long reading and voting take.
  BlockVoter(passes::CaptureReader& reader, std::uint64_t memory, passes::StageTimes* times = nullptr);

  std::uint32_t pages_per_slice() const { return tally_.pages(); }
  // Counts all passes over the pages from `first_page` of the block to the end of the slice or of the block.
  // Fails only when the medium does; units that are damaged abstain and are listed.
  Result<void> vote(UnitPlace place, BlockAddress block, std::uint32_t first_page);

  std::uint32_t pages() const { return pages_; }          // in the slice just voted
  const vote::Tally& tally() const { return tally_; }     // page 0 is the first of the slice
  // Why the page was not read, in the last pass that has its block; `read` when at least one pass read it.
  passes::PageStatus status(std::uint32_t page) const { return status_[page]; }
  // Reads of the page that failed.
  std::uint32_t failed_reads(std::uint32_t page) const { return failed_[page]; }
  // All lost units so far, each once.
  const std::vector<LostUnit>& lost() const { return lost_; }

 private:
  void count_votes(std::uint32_t first_page);
  template <typename Work>
  auto timed(std::string_view stage, const Work& work) {
    return times_ != nullptr ? times_->time(stage, work) : work();
  }

  passes::CaptureReader* reader_;
  passes::StageTimes* times_;
  Geometry geometry_;
  vote::Tally tally_;
  std::uint32_t pages_ = 0;
  Bytes unit_;
  std::vector<passes::PageStatus> unit_status_, status_;
  std::vector<std::uint32_t> failed_;
  std::vector<LostUnit> lost_;
};

}  // namespace steadycell::settle
