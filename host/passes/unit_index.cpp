#include <algorithm>
#include <cassert>

#include "passes/capture.h"

namespace steadycell::passes {

UnitIndex::UnitIndex(const Geometry& geometry, std::size_t targets) : luns_(geometry.luns), blocks_(geometry.blocks), targets_(targets) {}

std::size_t UnitIndex::slot(UnitPlace place, BlockAddress block) const {
  return (std::size_t{place.target} * luns_ + place.lun) * blocks_ + block.index;
}

bool UnitIndex::contains(UnitAddress unit) const {
  return unit.place.target < targets_ && unit.place.lun < luns_ && unit.block.index < blocks_ && unit.pass >= 1 && unit.pass <= 255;
}

std::optional<std::uint64_t> UnitIndex::record_of(UnitAddress unit) const {
  if (!contains(unit) || unit.pass > offsets_.size()) return std::nullopt;
  const std::uint64_t stored = offsets_[unit.pass - 1][slot(unit.place, unit.block)];
  return stored == 0 ? std::nullopt : std::optional(stored - 1);
}

void UnitIndex::put(UnitAddress unit, std::uint64_t record_offset) {
  assert(contains(unit));
  if (unit.pass > offsets_.size()) offsets_.resize(unit.pass, std::vector<std::uint64_t>(targets_ * luns_ * blocks_));
  offsets_[unit.pass - 1][slot(unit.place, unit.block)] = record_offset + 1;
}

void UnitIndex::remove(UnitAddress unit) {
  if (contains(unit) && unit.pass <= offsets_.size()) offsets_[unit.pass - 1][slot(unit.place, unit.block)] = 0;
}

std::uint32_t UnitIndex::passes_of(UnitPlace place, BlockAddress block) const {
  std::uint32_t count = 0;
  for (std::uint32_t pass = 1; pass <= passes(); ++pass) count += has({place, block, pass}) ? 1 : 0;
  return count;
}

std::uint64_t UnitIndex::count() const {
  std::uint64_t units = 0;
  for (const auto& pass : offsets_)
    units += static_cast<std::uint64_t>(std::count_if(pass.begin(), pass.end(), [](std::uint64_t offset) { return offset != 0; }));
  return units;
}

}  // namespace steadycell::passes
