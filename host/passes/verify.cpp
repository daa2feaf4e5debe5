#include "passes/verify.h"

#include <algorithm>
#include <bitset>
#include <tuple>

#include "files/atomic.h"
#include "passes/layout.h"

namespace steadycell::passes {
namespace {

constexpr std::size_t kBufferBytes = 32 << 20;  // units that are read together; at least one whatever its size

constexpr std::size_t kFaultyRunsKept = 1 << 16;  // runs of blocks at fault in the same passes, until the end tells what they need

using Passes = std::bitset<UnitIndex::kMaxPass + 1>;  // by pass number

class Verifier {
 public:
  Verifier(CaptureReader reader, const Hooks& hooks)
      : reader_(std::move(reader)), hooks_(hooks), geometry_(reader_.head().geometry) {
    const Contents& contents = reader_.contents();
    result_.head = reader_.head();
    result_.units = contents.units.count();
    result_.chain_whole = contents.chain_whole;
    result_.closed = contents.closed;
    result_.journal_damages = contents.damages;
    result_.journal_damage_count = contents.damage_count;
    result_.journal_damaged_bytes = contents.damaged_bytes;
    result_.torn_bytes = contents.torn_bytes;
    result_.dropped_units = contents.dropped_units;
    result_.chain_break = contents.chain_break;
    result_.journal_whole = contents.journal_whole();
    result_.unnamed = contents.unnamed;
    result_.end_lost = contents.end_lost;
    result_.end_was_lost = contents.end_was_lost;
    result_.journal_head = contents.head;
    result_.passes.resize(contents.units.passes());
    open_runs_.resize(contents.units.passes());
    const std::size_t fit = kBufferBytes / geometry_.block_raw_bytes();
    const std::size_t at_once = std::clamp<std::size_t>(fit, 1, std::max(1u, contents.units.passes()));
    buffers_.assign(at_once, Bytes(geometry_.block_raw_bytes()));
    status_.assign(at_once, std::vector<PageStatus>(geometry_.pages_per_block));
  }

  Result<CaptureVerification> run() {
    look_over();
    for (std::uint32_t block = 0; block < geometry_.blocks; ++block) {
      std::optional<std::uint32_t> fewest;
      for (Span& span : spans_) {
        const auto whole = check_block(span, {block});
        if (!whole) return failure(whole.error());
        if (reader_.units().passes_of(span.place, {block}) > 0) fewest = std::min(fewest.value_or(*whole), *whole);
      }
      if (fewest) ++blocks_with_[*fewest];
    }
    // Of as many blocks with more and with fewer, more are usual. Where nothing at all is whole, all is read as it was.
    for (std::uint32_t whole = 1; whole < blocks_with_.size(); ++whole)
      if (blocks_with_[whole] > 0 && (result_.usual_passes == 0 || blocks_with_[whole] >= blocks_with_[result_.usual_passes]))
        result_.usual_passes = whole;
    if (result_.usual_passes == 0) result_.usual_passes = result_.read_passes;
    tell_what_is_made_up();
    tell_mends();
    return std::move(result_);
  }

 private:
  struct FoundFault {
    Fault fault = Fault::damaged;
    std::string why;
  };
  using Faults = std::vector<std::pair<std::uint32_t, FoundFault>>;  // by pass
  // Neighbouring blocks that are at fault in the same passes.
  struct FaultyRun {
    std::uint32_t first = 0, end = 0;
    Passes whole, bad;
  };
  // The blocks of a LUN from the first to the last of which the journal speaks.
  struct Span {
    UnitPlace place;
    std::uint32_t first = 0, last = 0;
    std::vector<FaultyRun> faulty = {};  // ascending
  };

  // What the journal alone tells: where the capture has blocks, and how often most of them were read.
  void look_over() {
    std::vector<std::uint64_t> blocks_read(result_.passes.size() + 1);  // by the number of passes
    blocks_with_.resize(blocks_read.size());
    for (const TargetIdentity& target : result_.head.targets)
      for (std::uint32_t lun = 0; lun < geometry_.luns; ++lun) {
        Span span{{target.target, static_cast<std::uint8_t>(lun)}};
        bool any = false;
        for (std::uint32_t block = 0; block < geometry_.blocks; ++block) {
          const std::uint32_t held = reader_.units().passes_of(span.place, {block});
          if (held == 0) continue;
          ++blocks_read[held];
          if (!any) span.first = block;
          span.last = block;
          any = true;
        }
        if (any) spans_.push_back(span);
      }
    // Of as many blocks read more and less often, less: what may never have been read is not called unrecorded.
    result_.read_passes = static_cast<std::uint32_t>(std::max_element(blocks_read.begin(), blocks_read.end()) - blocks_read.begin());
    for (std::uint32_t pass = 1; pass <= result_.passes.size(); ++pass) {
      const auto& sealed = reader_.contents().sealed_passes;
      result_.passes[pass - 1].pass = pass;
      result_.passes[pass - 1].sealed = std::find(sealed.begin(), sealed.end(), pass) != sealed.end();
    }
  }

  // All passes of a block; returns how many are whole.
  Result<std::uint32_t> check_block(Span& span, BlockAddress block) {
    Passes held, bad;
    for (std::uint32_t pass = 1; pass <= result_.passes.size(); ++pass) held[pass] = reader_.units().has({span.place, block, pass});
    Faults faults;
    if (const auto read = read_passes(span.place, block, held, faults); !read) return failure(read.error());
    for (const auto& [pass, found] : faults) bad.set(pass);
    const Passes whole = held & ~bad;
    const auto count = static_cast<std::uint32_t>(whole.count());
    if (!result_.journal_whole && block.index >= span.first && block.index <= span.last)
      for (std::uint32_t pass = 1; pass <= result_.read_passes; ++pass)
        if (!held[pass]) faults.emplace_back(pass, FoundFault{Fault::unrecorded, no_record()});
    if (faults.empty()) return count;
    for (auto& [pass, found] : faults) add(pass, span.place, block, std::move(found), count);
    keep(span.faulty, {block.index, block.index + 1, whole, bad});
    return count;
  }

  std::string no_record() const {
    const bool has_hole = !result_.chain_whole || result_.journal_damage_count > 0;
    return has_hole ? "the journal has a hole, and no record of it" : "the journal lost its end, and has no record of it";
  }

  void keep(std::vector<FaultyRun>& runs, const FaultyRun& block) {
    FaultyRun* last = runs.empty() ? nullptr : &runs.back();
    if (last && last->end == block.first && last->whole == block.whole && last->bad == block.bad) {
      ++last->end;
    } else if (faulty_runs_ < kFaultyRunsKept) {
      runs.push_back(block);
      ++faulty_runs_;
    } else {
      ++result_.mends_left_out;
    }
  }

  void tell_what_is_made_up() {
    auto& faults = result_.faults;
    for (std::size_t i = 0; i < faults.size(); ++i) faults[i].made_up = whole_passes_[i] >= result_.usual_passes;
    std::sort(faults.begin(), faults.end(),
              [](const FaultRun& a, const FaultRun& b) { return std::tie(a.pass, a.place, a.first) < std::tie(b.pass, b.place, b.first); });
    std::vector<FaultRun> joined;
    for (FaultRun& run : faults) {
      FaultRun* last = joined.empty() ? nullptr : &joined.back();
      if (last && last->pass == run.pass && last->place == run.place && last->first.index + last->count == run.first.index &&
          last->fault == run.fault && last->made_up == run.made_up)
        last->count += run.count;
      else
        joined.push_back(std::move(run));
    }
    faults = std::move(joined);
  }

  void tell_mends() {
    std::vector<std::size_t> at(spans_.size());
    for (std::uint32_t block = 0; block < geometry_.blocks; ++block) {
      std::uint32_t passes = 0;
      for (std::size_t i = 0; i < spans_.size(); ++i) {
        const auto& runs = spans_[i].faulty;
        while (at[i] < runs.size() && runs[at[i]].end <= block) ++at[i];
        if (at[i] == runs.size() || runs[at[i]].first > block) continue;
        const FaultyRun& run = runs[at[i]];
        if (run.whole.count() < result_.usual_passes) passes = std::max(passes, passes_for(result_.usual_passes, run.whole, run.bad));
      }
      if (passes > 0) mend({block}, passes);
    }
  }

  // The smallest N such that reading what is not recorded of passes 1..N leaves `wanted` whole ones.
  static std::uint32_t passes_for(std::uint32_t wanted, const Passes& whole, const Passes& bad) {
    auto passes = static_cast<std::uint32_t>(whole.count());
    for (std::uint32_t pass = 1;; ++pass) {
      if (pass > UnitIndex::kMaxPass || (!whole[pass] && !bad[pass] && ++passes == wanted)) return pass;
    }
  }

  Result<void> read_passes(UnitPlace place, BlockAddress block, const Passes& held, Faults& faults) {
    std::vector<UnitRead> units;
    const auto read = [&]() -> Result<void> {
      if (hooks_.stopped()) return failure(ErrorCode::interrupted, "verifying stopped on request");
      reader_.read_units(units);
      for (const UnitRead& unit : units) {
        auto fault = judge(unit);
        if (!fault) return failure(fault.error());
        if (*fault) faults.emplace_back(unit.unit.pass, std::move(**fault));
      }
      hooks_.tell(done_, result_.units, result_.bytes);
      units.clear();
      return {};
    };
    for (std::uint32_t pass = 1; pass <= result_.passes.size(); ++pass) {
      if (!held[pass]) continue;
      units.push_back({.unit = {place, block, pass}, .out = buffers_[units.size()], .status = status_[units.size()]});
      if (units.size() < buffers_.size()) continue;
      if (auto done = read(); !done) return done;
    }
    return units.empty() ? Result<void>() : read();
  }

  // Counts the unit, and says what is wrong with it, if anything is.
  Result<std::optional<FoundFault>> judge(const UnitRead& read) {
    VerifiedPass& pass = result_.passes[read.unit.pass - 1];
    ++pass.recorded;
    ++done_;
    if (read.got) {
      ++pass.whole;
      ++result_.whole_units;
      result_.bytes += read.out.size();
      pass.pages_not_read += pages_not_read(read.status);
      return std::optional<FoundFault>();
    }
    const Error& error = read.got.error();
    const ErrorCode code = error.code();
    // A place of the disk that cannot be read is damage to this unit: the others are still worth a look.
    if (code != ErrorCode::not_found && code != ErrorCode::file_damaged && code != ErrorCode::storage_failed) return failure(error);
    if (code == ErrorCode::not_found && !read.lost_with_pass_1) pass.without_file = true;
    FoundFault found{code == ErrorCode::not_found ? Fault::missing : Fault::damaged, error.what()};
    if (const std::string where = fmt::format("reading {}: ", describe(read.unit)); found.why.starts_with(where))
      found.why.erase(0, where.size());  // the run says it
    return std::optional<FoundFault>(std::move(found));
  }

  void add(std::uint32_t pass, UnitPlace place, BlockAddress block, FoundFault found, std::uint32_t whole_passes) {
    VerifiedPass& row = result_.passes[pass - 1];
    ++(found.fault == Fault::damaged ? row.damaged : found.fault == Fault::missing ? row.missing : row.unrecorded);
    auto& open = open_runs_[pass - 1];
    if (open) {
      FaultRun& run = result_.faults[*open];
      if (run.place == place && run.first.index + run.count == block.index && run.fault == found.fault &&
          whole_passes_[*open] == whole_passes) {
        ++run.count;
        return;
      }
    }
    open.reset();
    if (result_.faults.size() == CaptureVerification::kRunsListed) {
      ++result_.faults_left_out;
      return;
    }
    open = result_.faults.size();
    result_.faults.push_back({.pass = pass, .place = place, .first = block, .count = 1, .fault = found.fault, .why = std::move(found.why)});
    whole_passes_.push_back(whole_passes);
  }

  void mend(BlockAddress block, std::uint32_t passes) {
    if (passes > UnitIndex::kMaxPass) {
      ++result_.beyond_mending;
      return;
    }
    auto& mends = result_.mends;
    if (!mends.empty() && mends.back().passes == passes && mends.back().first.index + mends.back().count == block.index) {
      ++mends.back().count;
    } else if (mends.size() < CaptureVerification::kRunsListed) {
      mends.push_back({.first = block, .count = 1, .passes = passes});
    } else {
      ++result_.mends_left_out;
    }
  }

  CaptureReader reader_;
  const Hooks& hooks_;
  const Geometry geometry_;
  std::vector<Bytes> buffers_;
  std::vector<std::vector<PageStatus>> status_;
  std::vector<Span> spans_;
  std::size_t faulty_runs_ = 0;              // of all spans
  std::vector<std::uint64_t> blocks_with_;   // by the number of whole passes
  std::vector<std::uint32_t> whole_passes_;  // of the blocks of each run in result_.faults
  std::vector<std::optional<std::size_t>> open_runs_;  // by pass - 1: the run that the next block may lengthen
  std::uint64_t done_ = 0;
  CaptureVerification result_;
};

// What opening failed by, told as what it means for a folder whose capture.json is there.
Error explain(files::FileSystem& system, const std::string& folder, const Error& error) {
  const std::string head = files::join(folder, std::string(kHeadName));
  const auto there = system.exists(head);
  if (!there || !*there || error.code() != ErrorCode::bad_input_file) return error;
  return Error(ErrorCode::file_damaged, error.what())
      .at(head)
      .advising("put it back from a copy; without one, read or import into a new capture");
}

}  // namespace

std::string_view name_of(Fault fault) {
  switch (fault) {
    case Fault::damaged: return "damaged";
    case Fault::missing: return "missing";
    case Fault::unrecorded: return "unrecorded";
  }
  return {};
}

bool CaptureVerification::whole() const { return journal_whole && whole_units == units && faults.empty(); }

Result<CaptureVerification> verify_capture(files::FileSystem& system, const std::string& folder, const Hooks& hooks) {
  auto reader = CaptureReader::open(system, folder);
  if (!reader) return failure(explain(system, folder, reader.error()));
  return Verifier(std::move(*reader), hooks).run();
}

}  // namespace steadycell::passes
