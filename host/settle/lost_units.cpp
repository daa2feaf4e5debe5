#include "settle/lost_units.h"

#include <map>

#include "base/text.h"

namespace steadycell::settle {

bool LostUnits::is_loss(const Error& error) {
  return error.code() == ErrorCode::file_damaged || error.code() == ErrorCode::hash_mismatch || error.code() == ErrorCode::not_found;
}

void LostUnits::add(UnitAddress unit, Reason why) {
  std::optional<Last>& last = last_[unit.pass];
  if (last && last->unit == unit) return;
  Loss& loss = losses_[static_cast<std::size_t>(why)];
  ++loss.units;
  const bool next = last && last->why == why && last->unit.place == unit.place && last->unit.block.index + 1 == unit.block.index;
  if (next && last->run) {
    ++loss.runs[*last->run].blocks;
    last->unit = unit;
    return;
  }
  last = Last{.unit = unit, .why = why, .run = std::nullopt};
  if (next || loss.runs.size() == kRunsNamed) return;
  last->run = loss.runs.size();
  loss.runs.push_back({.first = unit});
}

void LostUnits::end_block(UnitPlace place, BlockAddress block, std::uint32_t whole, std::uint32_t lost) {
  if (last_block_ && (last_block_->place != place || last_block_->block != block)) ended_.add(*last_block_);
  last_block_ = Block{.place = place, .block = block, .whole = whole, .lost = lost};
}

void LostUnits::clear() {
  losses_ = {};
  ended_ = {};
  last_block_.reset();
  last_.fill(std::nullopt);
}

std::vector<std::string> LostUnits::notes(const passes::CaptureHead& head) const {
  std::vector<std::string> notes;
  const std::string on = way_on();
  const auto tell = [&](Reason reason, std::string_view one, std::string_view several) {
    const Loss& loss = losses_[static_cast<std::size_t>(reason)];
    if (loss.units == 0) return;
    notes.push_back(fmt::format("{} did not vote, since {}: {}; {}", counted(loss.units, "unit"), loss.units == 1 ? one : several,
                                where(loss, head), on));
  };
  tell(Reason::damaged, "its stored bytes are damaged", "their stored bytes are damaged");
  tell(Reason::missing, "its pass file is not there", "their pass file is not there");
  tell(Reason::of_pass_1, "it is the difference to a unit of pass 1 that is damaged or not there",
       "they are differences to units of pass 1 that are damaged or not there");
  return notes;
}

// What to read again is told in one place, which knows of all blocks. The manifest goes to others: the capture's path is this bench's own
// affair.
std::string LostUnits::way_on() const {
  Tally tally = ended_;
  if (last_block_) tally.add(*last_block_);
  // Of as many blocks with more and with fewer, more are usual, as for a verification of the capture.
  std::size_t usual = 0;
  for (std::size_t whole = 1; whole < tally.blocks.size(); ++whole)
    if (tally.blocks[whole] > 0 && (usual == 0 || tally.blocks[whole] >= tally.blocks[usual])) usual = whole;
  std::uint64_t made_up = 0, lost = 0;
  for (std::size_t whole = 0; whole < tally.lost.size(); ++whole) {
    lost += tally.lost[whole];
    if (usual > 0 && whole >= usual) made_up += tally.lost[whole];
  }
  if (made_up > 0 && made_up == lost)
    return "made up for: as many other passes vote there as in most blocks, and nothing need be read again";
  const std::string verify = "steadycell capture verify CAPTURE tells what is lost, and how to have it again";
  if (made_up == 0) return verify;
  return fmt::format("{}; of {} lost in all, {} made up for by other passes", verify, counted(lost, "unit"),
                     made_up == 1 ? "1 is" : fmt::format("{} are", made_up));
}

std::string LostUnits::where(const Loss& loss, const passes::CaptureHead& head) {
  std::map<std::uint32_t, std::pair<std::string, bool>> by_pass;  // the blocks of a pass, and whether they are more than one
  std::uint64_t named = 0;
  for (const Run& run : loss.runs) {
    const std::uint32_t first = run.first.block.index;
    auto& [list, several] = by_pass[run.first.pass];
    several = !list.empty() || run.blocks > 1;
    list += fmt::format("{}{}", list.empty() ? "" : ", ", first);
    if (run.blocks > 1) list += fmt::format("-{}", first + run.blocks - 1);
    if (head.targets.size() * head.geometry.luns > 1)
      list += fmt::format(" of target {}, LUN {}", run.first.place.target, run.first.place.lun);
    named += run.blocks;
  }
  std::string where;
  for (const auto& [pass, found] : by_pass)
    where += fmt::format("{}pass {} block{} {}", where.empty() ? "" : ", ", pass, found.second ? "s" : "", found.first);
  if (named < loss.units) where += fmt::format(" and {} more", loss.units - named);
  return where;
}

}  // namespace steadycell::settle
