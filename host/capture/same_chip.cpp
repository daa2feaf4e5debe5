#include "capture/same_chip.h"

#include "base/text.h"
#include "capture/sample.h"

namespace steadycell::capture {
namespace {

constexpr std::size_t kWitnesses = 4, kUnitsLookedAt = 16;

std::string identity_text(ByteSpan id, std::string_view maker, std::string_view model, const Geometry& g, std::size_t targets) {
  return fmt::format("{} {}{}ID {}, {} + {} bytes x {} pages x {} blocks, {}", maker, model, model.empty() ? "" : " ", hex_spaced(id),
                     g.page_bytes, g.spare_bytes, g.pages_per_block, g.blocks, counted(targets, "target"));
}

Error mismatch(std::string what) {
  return Error(ErrorCode::mismatched_capture, std::move(what))
      .keeping("the capture is as it was")
      .advising("put the right chip into the socket, or give --into a new folder");
}

}  // namespace

Result<void> check_origin(const passes::CaptureHead& head, const std::string& folder) {
  if (head.origin == "board") return {};
  return failure(
      Error(ErrorCode::mismatched_capture,
            fmt::format("{} holds passes that were imported; a chip cannot go on with it", printable(folder)))
          .keeping("it is as it was, and the chip got no power")
          .advising("read the chip into a new folder; further passes read elsewhere are added with \"steadycell capture import\", "
                    "all files in the same order and the new ones behind"));
}

Result<void> compare_identity(const passes::CaptureHead& head, const Found& found) {
  const FoundTarget& first = found.targets[0];
  bool same = head.geometry == first.chip.geometry && head.targets.size() == found.targets.size();
  for (std::size_t i = 0; same && i < head.targets.size(); ++i) {
    const passes::TargetIdentity& then = head.targets[i];
    const FoundTarget& now = found.targets[i];
    // Not the parameter page byte by byte: a dirty lane may change it, and what counts of it is in geometry and model.
    same = then.target == now.target && chip::trimmed_id(then.id_bytes) == chip::trimmed_id(now.id_bytes) && then.model == now.chip.model;
  }
  if (same) return {};
  return failure(mismatch(fmt::format(
      "the chip in the socket is {}; the capture was begun with {}",
      identity_text(chip::trimmed_id(first.id_bytes), first.chip.maker, first.chip.model, first.chip.geometry, found.targets.size()),
      identity_text(chip::trimmed_id(head.targets[0].id_bytes), head.targets[0].maker, head.targets[0].model, head.geometry,
                    head.targets.size()))));
}

Result<std::vector<Witness>> pick_witnesses(passes::CaptureReader& reader) {
  std::vector<UnitAddress> units;
  const Geometry& g = reader.head().geometry;
  for (const passes::TargetIdentity& target : reader.head().targets)
    for (std::uint32_t block = 0; block < g.blocks; ++block)
      if (const UnitAddress unit{{target.target, 0}, {block}, 1}; reader.units().has(unit)) units.push_back(unit);
  std::vector<Witness> out;
  Bytes raw(g.block_raw_bytes());
  std::vector<passes::PageStatus> status(g.pages_per_block);
  const std::size_t step = std::max<std::size_t>(1, units.size() / kUnitsLookedAt);
  for (std::size_t at = 0; at < units.size() && out.size() < kWitnesses; at += step) {
    const UnitAddress& unit = units[at];
    // A damaged unit is no reason to refuse: the next one serves.
    if (!reader.read_unit(unit, raw, status)) continue;
    for (std::uint32_t page = 0; page < g.pages_per_block; ++page) {
      const ByteSpan bytes = ByteSpan(raw).subspan(std::size_t{page} * g.raw_page_bytes(), g.raw_page_bytes());
      Likeness usable;
      usable.add(bytes, bytes);
      if (usable.pages == 0 || status[page] != passes::PageStatus::read) continue;
      out.push_back({unit.place, {unit.block.index * g.pages_per_block + page}, Bytes(bytes.begin(), bytes.end())});
      break;
    }
  }
  return out;
}

asio::awaitable<Result<void>> compare_pages(board::BoardClient& board, const Geometry& geometry, const Proven& proven,
                                            const std::vector<Witness>& witnesses) {
  const chip::Addressing addressing(geometry);
  std::size_t compared = 0, different = 0;
  for (const Witness& witness : witnesses) {
    board::RowRange rows;
    rows.first = addressing.row(witness.place.lun, witness.page);
    const auto now = co_await read_sample(board, proven.page_program, witness.place.target, rows);
    if (!now) co_return failure(Error(now.error()).during("comparing the chip with the capture"));
    Likeness likeness;
    likeness.add(witness.raw, now->front().bytes);
    compared += likeness.pages > 0 ? 1 : 0;
    different += likeness.share() > kDifferentData ? 1 : 0;
  }
  if (compared > 0 && different == compared)
    co_return failure(mismatch(fmt::format(
        "the chip says what the capture's chip said, but all {} pages compared hold other data: another chip of the same type", compared)));
  co_return Result<void>();
}

}  // namespace steadycell::capture
