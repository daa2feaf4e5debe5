#include "settle/evidence.h"

#include <fmt/format.h>

#include "base/text.h"

namespace steadycell::settle {
namespace {

constexpr std::size_t kDamagesNamed = 4;

vote::LaneCounts no_bits(const Geometry& geometry) {
  vote::LaneCounts counts;
  counts.lanes = geometry.bus_bits == 16 ? 16 : 8;
  return counts;
}

}  // namespace

Evidence::Evidence(const Geometry& geometry)
    : geometry_(geometry), slice_(no_bits(geometry)), chip_(no_bits(geometry)) {}

void Evidence::begin_slice() {
  pages_.clear();
  slice_ = no_bits(geometry_);
}

void Evidence::add(const vote::PageVote& vote, ByteSpan unsure, ByteSpan voted, std::uint32_t failed_reads) {
  failed_reads_ += failed_reads;
  tied_bits_ += vote.tied_bits;
  if (vote.votes == 1) ++one_vote_pages_;
  pages_.push_back(no_bits(geometry_));
  if (vote.unstable_bits == 0) return;
  pages_.back().add(unsure);
  slice_.add(pages_.back());
  chip_.add(pages_.back());
  ++wavering_pages_;
  const vote::Notes notes = vote::notes_on(unsure, voted);
  if (notes.first_bytes) ++first_bytes_pages_;
  if (notes.only_0_to_1) ++only_0_to_1_pages_;
  if (notes.only_1_to_0) ++only_1_to_0_pages_;
}

void Evidence::end_slice() { around_ = vote::lane_evidence(slice_); }

image::Cause Evidence::cause_of(std::size_t page) const {
  return image::cause_from(vote::cause_of(pages_[page], around_));
}

void Evidence::count(image::Cause cause) {
  if (cause != image::Cause::none) ++causes_[cause];
}

std::vector<std::string> Evidence::notes() const {
  std::vector<std::string> notes;
  notes.push_back(fmt::format("an even split of votes keeps the bit of the first pass that read the page: {} bits", tied_bits_));
  if (one_vote_pages_ > 0) {
    const bool one = one_vote_pages_ == 1;
    notes.push_back(fmt::format("{} {} read in one pass only: nothing shows which of {} bits waver", counted(one_vote_pages_, "page"),
                                one ? "was" : "were", one ? "its" : "their"));
  }
  if (failed_reads_ > 0) {
    notes.push_back(fmt::format("{} failed and did not vote", counted(failed_reads_, "page read")));
  }
  const vote::LaneEvidence evidence = lanes();
  if (evidence.lane) {
    notes.push_back(fmt::format("wavering bits gather on I/O line {}: {:.0f} % of {}, chi-square {:.1f}, p {:.1e}: clean and "
                                "check that contact, then read again",
                                *evidence.lane, evidence.share * 100, chip_.total(), evidence.chi_square, evidence.p));
  }
  if (first_bytes_pages_ > 0) {
    notes.push_back(fmt::format("{} of {} wavering pages do so in their first bytes only: try slower timing",
                                first_bytes_pages_, wavering_pages_));
  }
  if (geometry_.bits_per_cell == 1 && only_0_to_1_pages_ + only_1_to_0_pages_ > 0) {
    notes.push_back(fmt::format("of {} wavering pages, {} have only zeros that sometimes read as one (charge loss) and {} only "
                                "ones that sometimes read as zero (disturb)",
                                wavering_pages_, only_0_to_1_pages_, only_1_to_0_pages_));
  }
  return notes;
}

std::vector<std::string> notes_on_capture(const passes::CaptureHead& head, const passes::Contents& contents, const LostUnits& lost) {
  std::vector<std::string> notes = contents.board_checks;
  if (contents.damage_count > 0) {
    std::string where;
    for (std::size_t i = 0; i < contents.damages.size() && i < kDamagesNamed; ++i)
      where += fmt::format("{}{}", i == 0 ? "at byte " : ", ", contents.damages[i].offset);
    if (contents.damage_count > kDamagesNamed) where += ", ...";
    notes.push_back(fmt::format("the capture's journal is damaged in {}, {} bytes ({}): units recorded there count as not read; "
                                "{}steadycell capture verify CAPTURE tells which",
                                counted(contents.damage_count, "place"), contents.damaged_bytes, where,
                                head.origin == "board" ? "the same chip read, with the same --passes, reads them; " : ""));
  }
  if (contents.end_lost || contents.end_was_lost)
    notes.emplace_back(
        "the capture's journal lost its end: units that it no longer names did not vote; steadycell capture verify CAPTURE tells more");
  if (!contents.chain_whole) notes.emplace_back("the hash chain of the capture's journal is broken");
  if (contents.torn_bytes > 0) {
    notes.push_back(
        fmt::format("the capture's journal ends in {} bytes that do not hold together, as a killed program or a "
                    "power cut leaves them",
                    contents.torn_bytes));
  }
  for (std::string& note : lost.notes(head)) notes.push_back(std::move(note));
  return notes;
}

}  // namespace steadycell::settle
