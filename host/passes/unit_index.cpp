#include <algorithm>
#include <cassert>

#include "passes/capture.h"

namespace steadycell::passes {

UnitIndex::UnitIndex(const Geometry& geometry, std::span<const TargetIdentity> targets) : luns_(geometry.luns), blocks_(geometry.blocks) {
  for (const TargetIdentity& target : targets) targets_ |= 1u << target.target;
}

bool UnitIndex::contains(UnitAddress unit) const {
  return unit.place.target < 32 && (targets_ >> unit.place.target & 1) != 0 && unit.place.lun < luns_ && unit.block.index < blocks_ &&
         unit.pass >= 1 && unit.pass <= kMaxPass;
}

std::uint64_t UnitIndex::key(UnitAddress unit) const {
  return ((std::uint64_t{unit.pass} << 8 | unit.place.target) << 8 | unit.place.lun) << 32 | unit.block.index / kGroup;
}

std::optional<std::uint64_t> UnitIndex::record_of(UnitAddress unit) const {
  if (!contains(unit)) return std::nullopt;
  const auto group = groups_.find(key(unit));
  if (group == groups_.end()) return std::nullopt;
  const std::uint32_t stored = group->second[unit.block.index % kGroup];
  return stored == 0 ? std::nullopt : std::optional<std::uint64_t>(stored - 1);
}

bool UnitIndex::put(UnitAddress unit, std::uint64_t record_offset) {
  assert(contains(unit) && record_offset < kMaxJournalBytes);
  const std::uint64_t at = key(unit);
  auto group = groups_.find(at);
  if (group == groups_.end()) {
    if (groups_.size() >= kMaxGroups) return false;
    group = groups_.emplace(at, Group{}).first;
  }
  std::uint32_t& slot = group->second[unit.block.index % kGroup];
  if (slot == 0) ++count_;
  slot = static_cast<std::uint32_t>(record_offset) + 1;
  passes_ = std::max(passes_, unit.pass);
  return true;
}

void UnitIndex::remove(UnitAddress unit) {
  if (!has(unit)) return;
  groups_.find(key(unit))->second[unit.block.index % kGroup] = 0;
  --count_;
}

std::uint32_t UnitIndex::passes_of(UnitPlace place, BlockAddress block) const {
  std::uint32_t count = 0;
  for (std::uint32_t pass = 1; pass <= passes(); ++pass) count += has({place, block, pass}) ? 1 : 0;
  return count;
}

}  // namespace steadycell::passes
