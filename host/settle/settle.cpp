#include "settle/settle.h"

#include <algorithm>

#include "base/text.h"
#include "passes/capture.h"
#include "settle/block_voter.h"
#include "settle/bundle_writer.h"
#include "settle/coverage.h"
#include "settle/evidence.h"
#include "settle/judge.h"

namespace steadycell::settle {
namespace {

// Most memory for pages whose verdicts wait.
constexpr std::uint64_t kWaitingBytes = std::uint64_t{8} << 20;

struct CoveredBlock {
  UnitPlace place;
  BlockAddress block;
};

image::Cause cause_of_missing(passes::PageStatus status) {
  switch (status) {
    case passes::PageStatus::transfer_error: return image::Cause::transfer;
    case passes::PageStatus::ready_timeout: return image::Cause::chip_busy;
    case passes::PageStatus::not_read:
    case passes::PageStatus::read: break;
  }
  return image::Cause::unknown;
}

// In a damaged journal the record of it may be what is lost: the damage is noted then.
bool first_pass_finished(const passes::Contents& contents) { return contents.sealed(1) || contents.damage_count > 0; }

class Settler {
 public:
  Settler(passes::CaptureReader& reader, const image::CoverageMap& coverage, std::optional<CodeJudge> judge, BundleWriter writer,
          const Hooks& hooks)
      : reader_(&reader),
        coverage_(&coverage),
        geometry_(reader.head().geometry),
        hooks_(&hooks),
        judge_(std::move(judge)),
        writer_(std::move(writer)),
        voter_(reader, kVoterBytes, &times_),
        evidence_(geometry_) {}

  Result<Summary> run(const Request& request) {
    if (judge_ && sample_is_all()) {
      verdicts_wait_ = true;
      waiting_.reserve(coverage_->pages());
      waiting_outcomes_.reserve(coverage_->pages() * judge_->outcomes().size());
    } else if (judge_) {
      if (const auto measured = measure(); !measured) return failure(measured.error());
    }
    if (const auto decided = decide(); !decided) return failure(decided.error());
    if (verdicts_wait_) {
      if (const auto ruled = rule_on_waiting(); !ruled) return failure(ruled.error());
    }
    image::Manifest manifest = describe(request);
    auto written = times_.time("writing", [&] { return writer_.finish(std::move(manifest)); });
    if (!written) return failure(written.error());
    Summary summary;
    summary.manifest = std::move(written->manifest);
    summary.sha256 = written->pages_sha256;
    summary.passes = reader_->units().passes();
    summary.causes = evidence_.causes();
    summary.lanes = evidence_.lanes();
    summary.tied_bits = evidence_.tied_bits();
    summary.partial = !first_pass_finished(reader_->contents());
    summary.times = times_;
    return summary;
  }

 private:
  CoveredBlock block_at(std::uint64_t index) const {
    const auto page = coverage_->page_at(index * geometry_.pages_per_block);
    return {page->place, geometry_.block_of(page->page)};
  }

  // Whether measuring would go through all blocks, and what decoding shows of every page can wait in memory until that is
  // done: then one sweep does both.
  bool sample_is_all() const {
    const std::uint64_t a_page = sizeof(Waiting) + judge_->outcomes().size() * sizeof(ecc::StepOutcome);
    return coverage_->blocks() <= kMeasuredBlocks && coverage_->pages() * a_page <= kWaitingBytes;
  }

  // Sweep 1: what the code says of blocks spread evenly over the image.
  Result<void> measure() {
    const std::uint64_t blocks = std::min(coverage_->blocks(), kMeasuredBlocks);
    Progress progress{.stage = "measuring", .total = blocks};
    for (std::uint64_t i = 0; i < blocks; ++i) {
      if (auto on = hooks_->go_on(progress.stage); !on) return on;
      const CoveredBlock at = block_at(i * coverage_->blocks() / blocks);
      for (std::uint32_t first = 0; first < geometry_.pages_per_block; first += voter_.pages_per_slice()) {
        if (auto taken = voter_.take(at.place, at.block, first); !taken) return taken;
        for (std::uint32_t page = 0; page < voter_.pages(); ++page) {
          const auto voted = voter_.vote(page);
          if (!voted) return failure(voted.error());
          if (voted->vote.votes > 0) times_.time("judging", [&] { judge_->measure(voted->voted); });
        }
      }
      progress.done = i + 1;
      progress.bytes += geometry_.block_raw_bytes();
      hooks_->tell(progress);
    }
    return {};
  }

  // Sweep 2: the verdict of each page.
  Result<void> decide() {
    Progress progress{.stage = "settling", .total = coverage_->blocks()};
    voter_.forget_lost();  // those of the first sweep come again
    for (std::uint64_t i = 0; i < coverage_->blocks(); ++i) {
      if (auto on = hooks_->go_on(progress.stage); !on) return on;
      const CoveredBlock at = block_at(i);
      for (std::uint32_t first = 0; first < geometry_.pages_per_block; first += voter_.pages_per_slice()) {
        if (auto taken = voter_.take(at.place, at.block, first); !taken) return taken;
        if (first == 0 && i + 1 < coverage_->blocks()) {
          const CoveredBlock next = block_at(i + 1);
          voter_.expect(next.place, next.block);
        }
        if (auto settled = settle_slice(at, first); !settled) return settled;
      }
      progress.done = i + 1;
      progress.bytes += geometry_.block_raw_bytes();
      hooks_->tell(progress);
    }
    return {};
  }

  Result<void> settle_slice(CoveredBlock at, std::uint32_t first_page) {
    rows_.clear();
    evidence_.begin_slice();
    for (std::uint32_t page = 0; page < voter_.pages(); ++page) {
      image::PageVerdict row;
      row.place = at.place;
      row.page = {at.block.index * geometry_.pages_per_block + first_page + page};
      const auto room = times_.time("writing", [&] { return writer_.room(); });
      if (!room) return failure(room.error());
      const MutableByteSpan best = room->best;
      const auto page_vote = voter_.vote(page, room->against);
      if (!page_vote) return failure(page_vote.error());
      const VotedPage& voted = *page_vote;
      if (verdicts_wait_) waiting_.emplace_back();
      row.unstable_bits = voted.vote.unstable_bits;
      if (!judge_ || voted.vote.votes == 0) std::copy(voted.voted.begin(), voted.voted.end(), best.begin());
      if (voted.vote.votes == 0) {
        row.verdict = image::Verdict::unread;
        row.cause = cause_of_missing(voter_.status(page));
      } else {
        times_.time("judging", [&] { judge(voted, row, best); });
      }
      evidence_.add(voted.vote, voted.unsure, voted.voted, voter_.failed_reads(page));
      rows_.push_back(row);
      if (auto added = times_.time("writing", [&] { return writer_.add_page(voted.voted, voted.vote.votes, margin_planes(voted.vote)); });
          !added)
        return added;
    }
    evidence_.end_slice();
    for (std::size_t page = 0; page < rows_.size(); ++page) {
      // Pages that were not read have theirs.
      if (rows_[page].cause == image::Cause::none) rows_[page].cause = evidence_.cause_of(page);
      evidence_.count(rows_[page].cause);
      if (verdicts_wait_) {
        waiting_[waiting_.size() - rows_.size() + page].row = rows_[page];
        continue;
      }
      if (auto added = writer_.add_verdict(rows_[page]); !added) return added;
    }
    return {};
  }

  static void take_in(const Judgement& judgement, image::PageVerdict& row) {
    row.verdict = judgement.verdict;
    row.by = judgement.by;
    row.corrected_bits = judgement.corrected_bits;
    row.false_odds = judgement.false_odds;
  }

  // Fills `best` where there is a code, and the verdict of the page unless that waits.
  void judge(const VotedPage& page, image::PageVerdict& row, MutableByteSpan best) {
    if (!judge_) return take_in(judge_without_code(page.vote), row);
    if (!verdicts_wait_) return take_in(judge_->judge(page.vote, page.voted, page.unsure, best), row);
    row.verdict = image::Verdict::doubtful;  // read, and no more is known until all pages are decoded
    waiting_.back().decoding = judge_->decode(page.vote, page.voted, page.unsure, best);
    const auto outcomes = judge_->outcomes();
    waiting_outcomes_.insert(waiting_outcomes_.end(), outcomes.begin(), outcomes.end());
  }

  // The verdicts that waited for all pages to be decoded.
  Result<void> rule_on_waiting() {
    judge_->measure_decoded();
    std::span<const ecc::StepOutcome> outcomes(waiting_outcomes_);
    const std::size_t steps = judge_->outcomes().size();
    for (Waiting& page : waiting_) {
      if (page.decoding) {
        take_in(judge_->rule(*page.decoding, outcomes.first(steps)), page.row);
        outcomes = outcomes.subspan(steps);
      }
      if (auto added = writer_.add_verdict(page.row); !added) return added;
    }
    return {};
  }

  static std::uint32_t margin_planes(const vote::PageVote& vote) { return vote.unstable_bits == 0 ? 0 : vote::dissent_planes(vote.votes); }

  image::Manifest describe(const Request& request) const {
    const passes::CaptureHead& head = reader_->head();
    const passes::Contents& contents = reader_->contents();
    image::Manifest manifest;
    manifest.geometry = geometry_;
    for (const passes::TargetIdentity& target : head.targets) {
      manifest.identity.push_back({.target = target.target,
                                   .id_bytes = target.id_bytes,
                                   .parameter_page = target.parameter_page,
                                   .maker = target.maker,
                                   .model = target.model,
                                   .source = target.source});
    }
    manifest.capture_uuid = head.uuid;
    manifest.journal_head = contents.head;
    manifest.scheme = request.scheme;
    manifest.conditions = {{.supply_mV = head.supply_mV,
                            .timing = head.timing,
                            .retry_level = 0,
                            .temperature = "",
                            .passes = reader_->units().passes()}};
    manifest.not_read = {"one-time-programmable area", "blocks beyond the advertised count"};
    manifest.fill_byte = kFill;
    manifest.notes = evidence_.notes();
    if (judge_) {
      manifest.raw_bit_error_rate = judge_->raw_bit_error_rate();
      for (std::string& note : judge_->notes()) manifest.notes.push_back(std::move(note));
    }
    if (!first_pass_finished(contents))
      manifest.notes.push_back(
          fmt::format("pass 1 was not finished when the capture was settled: the image holds the {} that were there, and blocks that were "
                      "asked for may be missing",
                      counted(coverage_->blocks(), "block")));
    for (std::string& note : notes_on_capture(head, contents, voter_.lost())) manifest.notes.push_back(std::move(note));
    manifest.version = request.version;
    manifest.build = request.build;
    return manifest;
  }

  passes::CaptureReader* reader_;
  const image::CoverageMap* coverage_;
  Geometry geometry_;
  const Hooks* hooks_;
  std::optional<CodeJudge> judge_;
  BundleWriter writer_;
  passes::StageTimes times_;
  BlockVoter voter_;
  Evidence evidence_;
  std::vector<image::PageVerdict> rows_;  // of the slice
  struct Waiting {
    image::PageVerdict row;
    std::optional<Decoding> decoding;  // nothing for a page that was not read
  };
  bool verdicts_wait_ = false;  // until all pages are decoded
  std::vector<Waiting> waiting_;
  std::vector<ecc::StepOutcome> waiting_outcomes_;  // of those that were decoded
};

}  // namespace

Result<Summary> settle(files::FileSystem& system, const Request& request, const Hooks& hooks) {
  auto reader = passes::CaptureReader::open(system, request.capture);
  if (!reader) return failure(reader.error());
  const Geometry& geometry = reader->head().geometry;
  auto luns = coverage_of(*reader);
  if (luns.empty()) return failure(nothing_covered(*reader, request.capture));
  const auto coverage = image::CoverageMap::make(geometry, std::move(luns));
  if (!coverage) return failure(coverage.error());
  if (!first_pass_finished(reader->contents()) && !request.allow_partial)
    return failure(Error(ErrorCode::bad_input_file,
                         fmt::format("pass 1 of capture {} was not finished, or is still being read: {} there, others may be missing",
                                     printable(request.capture), counted(coverage->blocks(), "block")))
                       .keeping("the capture is untouched, no image was made")
                       .advising("finish it with the chip read it was begun with; to settle what is there, add --allow-partial"));
  std::optional<CodeJudge> judge;
  if (request.scheme) {
    auto made = CodeJudge::make(*request.scheme, geometry);
    if (!made) return failure(Error(made.error()).during("reading the ECC scheme"));
    judge.emplace(std::move(*made));
  }
  const std::uint32_t margin_planes = vote::dissent_planes(reader->units().passes());
  auto writer = BundleWriter::create(system, request.image, geometry, *coverage, margin_planes);
  if (!writer) return failure(Error(writer.error()).during("settling into {}", request.image));
  auto summary = Settler(*reader, *coverage, std::move(judge), std::move(*writer), hooks).run(request);
  if (!summary) {
    return failure(Error(summary.error())
                       .during("settling {} into {}", request.capture, request.image)
                       .keeping("the capture is untouched, no image was made"));
  }
  return summary;
}

}  // namespace steadycell::settle
