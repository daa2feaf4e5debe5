#include "settle/lost_units.h"

#include <map>

#include "base/text.h"

namespace steadycell::settle {

bool LostUnits::is_loss(const Error& error) {
  return error.code() == ErrorCode::file_damaged || error.code() == ErrorCode::hash_mismatch || error.code() == ErrorCode::not_found;
}

void LostUnits::add(UnitAddress unit, const Error& why) {
  std::optional<Last>& last = last_[unit.pass];
  if (last && last->unit == unit) return;
  const bool missing = why.code() == ErrorCode::not_found;
  Loss& loss = missing ? missing_ : damaged_;
  ++loss.units;
  const bool next = last && last->missing == missing && last->unit.place == unit.place && last->unit.block.index + 1 == unit.block.index;
  if (next && last->run) {
    ++loss.runs[*last->run].blocks;
    last->unit = unit;
    return;
  }
  last = Last{.unit = unit, .missing = missing, .run = std::nullopt};
  if (next || loss.runs.size() == kRunsNamed) return;
  last->run = loss.runs.size();
  loss.runs.push_back({.first = unit});
}

void LostUnits::clear() {
  damaged_ = missing_ = {};
  last_.fill(std::nullopt);
}

std::vector<std::string> LostUnits::notes(const passes::CaptureHead& head) const {
  std::vector<std::string> notes;
  if (damaged_.units > 0) notes.push_back(note(damaged_, "stored bytes are damaged", head));
  if (missing_.units > 0)
    notes.push_back(note(missing_, "pass file, or the pass 1 that it is a difference to, is not there", head));
  return notes;
}

std::string LostUnits::note(const Loss& loss, std::string_view why, const passes::CaptureHead& head) {
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
  // What to read again is told in one place, which knows of all blocks. The manifest goes to others: the capture's path is this
  // bench's own affair.
  return fmt::format("{} did not vote, since {} {}: {}; steadycell capture verify CAPTURE tells what is lost, and how to have it again",
                     counted(loss.units, "unit"), loss.units == 1 ? "its" : "their", why, where);
}

}  // namespace steadycell::settle
