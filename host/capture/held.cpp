#include "capture/held.h"

namespace steadycell::capture {
namespace {

// Read again from the answers that the capture keeps, since its head leaves out what no reading needs (the ECC asked for).
// Where that is understood otherwise today, the head stands.
chip::Identification identification_of(const passes::CaptureHead& head, const passes::TargetIdentity& target) {
  const auto decoded = chip::identify(target.id_bytes, target.parameter_page);
  if (decoded && decoded->geometry == head.geometry && decoded->maker == target.maker && decoded->model == target.model &&
      decoded->source == target.source)
    return *decoded;
  chip::Identification chip;
  chip.geometry = head.geometry;
  chip.maker = target.maker;
  chip.model = target.model;
  chip.source = target.source;
  return chip;
}

}  // namespace

bool holds_all(const passes::CaptureReader& capture, NumberRange blocks, std::uint32_t passes) {
  const passes::CaptureHead& head = capture.head();
  const passes::Contents& contents = capture.contents();
  if (head.targets.empty() || blocks.last >= head.geometry.blocks) return false;
  if (!contents.in_order()) return false;
  for (std::uint32_t pass = 1; pass <= passes; ++pass) {
    if (!contents.sealed(pass)) return false;
    for (const passes::TargetIdentity& target : head.targets)
      for (std::uint8_t lun = 0; lun < head.geometry.luns; ++lun)
        for (std::uint32_t block = blocks.first; block <= blocks.last; ++block)
          if (!capture.units().has({{target.target, lun}, {block}, pass})) return false;
  }
  return true;
}

ReadResult held_already(const passes::CaptureReader& capture, NumberRange blocks, std::uint32_t passes, const std::string& folder,
                        std::span<const passes::WithoutBytes> without_bytes) {
  const passes::CaptureHead& head = capture.head();
  ReadResult result;
  result.uuid = head.uuid;
  result.found.supply = Millivolts(static_cast<std::int32_t>(head.supply_mV));
  for (const passes::TargetIdentity& target : head.targets)
    result.found.targets.push_back({target.target, target.id_bytes, target.parameter_page, identification_of(head, target)});
  result.blocks = blocks;
  result.units_held =
      (std::uint64_t{blocks.last} - blocks.first + 1) * head.geometry.luns * head.targets.size() * passes;
  result.journal_head = capture.contents().head;
  result.units_without_bytes = units_of(without_bytes);
  result.notes.push_back(
      fmt::format("everything asked for {} {}: the chip got no power and was not compared with the capture, and nothing was "
                  "added; more --passes or other --blocks read on",
                  without_bytes.empty() ? "is already in" : "was read before, and not all of it is still in", printable(folder)));
  if (!without_bytes.empty()) result.notes.push_back(note_on(without_bytes, folder));
  return result;
}

}  // namespace steadycell::capture
