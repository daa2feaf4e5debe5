#include "capture/room.h"

namespace steadycell::capture {
namespace {

constexpr std::uint64_t kRecordBytes = 512;  // of a unit in the journal, exceptions and its share of the other records included

// Units that the blocks lack in pass `pass`.
std::uint64_t missing(const passes::CaptureHead& head, const passes::UnitIndex& units, NumberRange blocks, std::uint32_t pass) {
  std::uint64_t count = 0;
  for (const passes::TargetIdentity& target : head.targets)
    for (std::uint8_t lun = 0; lun < head.geometry.luns; ++lun)
      for (std::uint64_t block = blocks.first; block <= blocks.last; ++block)
        count += units.has({{target.target, lun}, {static_cast<std::uint32_t>(block)}, pass}) ? 0 : 1;
  return count;
}

}  // namespace

std::vector<files::RoomPart> room_for(const passes::CaptureHead& head, const passes::Contents& contents,
                                      NumberRange blocks, std::uint32_t passes) {
  const Geometry& geometry = head.geometry;
  const std::uint64_t first = missing(head, contents.units, blocks, 1);
  std::uint64_t later = 0;
  for (std::uint32_t pass = 2; pass <= passes; ++pass) later += missing(head, contents.units, blocks, pass);
  const std::uint64_t chip = std::uint64_t{geometry.blocks} * geometry.luns * head.targets.size();
  const std::uint64_t held_first = chip - missing(head, contents.units, {0, geometry.blocks - 1}, 1);
  const std::uint64_t held_later = contents.units.count() - held_first;

  std::vector<files::RoomPart> parts;
  if (first > 0) parts.push_back({"pass 1", first * geometry.block_raw_bytes()});
  if (later > 0 && held_later > 0)
    parts.push_back({"later passes, to judge by those that are there", later * (contents.later_stored_bytes / held_later)});
  parts.push_back({"the journal", files::kReserveBytes + (first + later) * kRecordBytes});
  return parts;
}

}  // namespace steadycell::capture
