#include "settle/lost_units.h"

#include <map>

#include "base/text.h"

namespace steadycell::settle {
namespace {

// What other passes make up for is told in one place, which knows of all blocks. The manifest goes to others: the capture's path is this
// bench's own affair.
constexpr std::string_view kWayOn =
    "steadycell capture verify CAPTURE tells what is lost, what other passes make up for, and how to have the rest again";

}  // namespace

bool LostUnits::is_loss(const Error& error) {
  return error.code() == ErrorCode::file_damaged || error.code() == ErrorCode::hash_mismatch || error.code() == ErrorCode::not_found;
}

LostUnits::Reason LostUnits::reason_of(const passes::UnitRead& read) {
  if (read.lost_with_pass_1) return Reason::pass_1;
  return read.got.error().code() == ErrorCode::not_found ? Reason::missing : Reason::damaged;
}

void LostUnits::add(const passes::UnitRead& read) {
  const UnitAddress unit = read.unit;
  const Reason why = reason_of(read);
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

void LostUnits::clear() {
  losses_ = {};
  last_.fill(std::nullopt);
}

std::vector<std::string> LostUnits::notes(const passes::CaptureHead& head) const {
  std::vector<std::string> notes;
  const auto tell = [&](Reason reason, std::string_view one, std::string_view several) {
    const Loss& loss = losses_[static_cast<std::size_t>(reason)];
    if (loss.units == 0) return;
    notes.push_back(fmt::format("{} did not vote, since {}: {}; {}", counted(loss.units, "unit"), loss.units == 1 ? one : several,
                                where(loss, head), kWayOn));
  };
  tell(Reason::damaged, "its stored bytes are damaged", "their stored bytes are damaged");
  tell(Reason::missing, "its pass file is not there", "their pass file is not there");
  tell(Reason::pass_1, "it is the difference to a unit of pass 1 that is damaged or not there",
       "they are differences to units of pass 1 that are damaged or not there");
  return notes;
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
