#pragma once
#include <cstdint>
#include <map>
#include <string>
#include <vector>

#include "base/address.h"
#include "image/verdict.h"
#include "passes/capture.h"
#include "settle/lost_units.h"
#include "vote/cause.h"
#include "vote/tally.h"

namespace steadycell::settle {

// Collects why pages waver, page by page, slice by slice and over the whole chip.
class Evidence {
 public:
  explicit Evidence(const Geometry& geometry);

  void begin_slice();
  // The next page of the slice. `failed_reads`: passes in which it could not be read.
  void add(const vote::PageVote& vote, ByteSpan unsure, ByteSpan voted, std::uint32_t failed_reads);
  void end_slice();
  // Cause of a page of the ended slice: it may follow its neighbours.
  image::Cause cause_of(std::size_t page) const;
  void count(image::Cause cause);

  const std::map<image::Cause, std::uint64_t>& causes() const { return causes_; }
  vote::LaneEvidence lanes() const { return vote::lane_evidence(chip_); }
  std::uint64_t tied_bits() const { return tied_bits_; }
  // For the reader of the image, each with its numbers.
  std::vector<std::string> notes() const;

 private:
  Geometry geometry_;
  std::vector<vote::LaneCounts> pages_;  // of the slice
  vote::LaneCounts slice_, chip_;
  vote::LaneEvidence around_;  // of the ended slice
  std::map<image::Cause, std::uint64_t> causes_;
  std::uint64_t tied_bits_ = 0, failed_reads_ = 0, one_vote_pages_ = 0;
  std::uint64_t wavering_pages_ = 0, first_bytes_pages_ = 0, only_0_to_1_pages_ = 0, only_1_to_0_pages_ = 0;
};

// What the reader of an image must know of the capture it comes from: the board it was read with, damage, cut tails, units that did
// not vote.
std::vector<std::string> notes_on_capture(const passes::CaptureHead& head, const passes::Contents& contents, const LostUnits& lost);

}  // namespace steadycell::settle
