#include "passes/block_passes.h"

#include <algorithm>
#include <cassert>
#include <optional>
#include <utility>

#include "passes/codec.h"
#include "passes/hasher.h"
#include "passes/layout.h"

namespace steadycell::passes {

struct BlockPasses::Inside {
  // A unit of pass 1.
  struct Whole {
    UnitFacts facts;
    Bytes raw;
  };
  Whole here, expected;
  std::optional<UnitAddress> expected_unit;  // nothing: `expected` holds none
  std::unique_ptr<std::uint8_t[]> frames;    // of the differences, one behind the other
  std::size_t frames_room = 0;
  bool hashing = false;
  Hasher hasher;  // of `expected`, or of `here` while a block begins; ends before them

  // The unit in `whole`, and its hash begun.
  bool read(CaptureReader& reader, UnitAddress unit, Whole& whole) {
    stop_hashing();
    auto facts = reader.facts(unit);
    if (!facts || facts->is_difference()) return false;
    whole.raw.resize(reader.head().geometry.block_raw_bytes());
    if (!reader.read_stored(unit, *facts, whole.raw)) return false;
    whole.facts = std::move(*facts);
    hasher.start(whole.raw);
    hashing = true;
    return true;
  }
  void stop_hashing() {
    if (std::exchange(hashing, false)) (void)hasher.finish();
  }
  MutableByteSpan room_for_frames(std::size_t bytes) {
    if (frames_room < bytes) {
      frames.reset();
      frames = std::make_unique_for_overwrite<std::uint8_t[]>(bytes);
      frames_room = bytes;
    }
    return {frames.get(), bytes};
  }
};

struct BlockPasses::Stream {
  DifferenceStream difference;
  Bytes page;
};

BlockPasses::BlockPasses(CaptureReader& reader, std::uint64_t memory)
    : reader_(&reader), memory_(memory), inside_(std::make_unique<Inside>()) {}
BlockPasses::BlockPasses(BlockPasses&&) noexcept = default;
BlockPasses& BlockPasses::operator=(BlockPasses&&) noexcept = default;
BlockPasses::~BlockPasses() = default;

void BlockPasses::expect(UnitAddress pass_1) {
  if (inside_->expected_unit == pass_1) return;
  const std::uint64_t block = reader_->head().geometry.block_raw_bytes();
  if (2 * block + inside_->frames_room + streams_ * DifferenceStream::most_bytes(block) > memory_) return;
  inside_->expected_unit.reset();
  if (inside_->read(*reader_, pass_1, inside_->expected)) inside_->expected_unit = pass_1;
}

// Its hash is still on the way.
bool BlockPasses::take_pass_1(UnitAddress unit) {
  if (std::exchange(inside_->expected_unit, std::nullopt) != unit) return inside_->read(*reader_, unit, inside_->here);
  std::swap(inside_->here, inside_->expected);
  return true;
}

bool BlockPasses::begin(std::span<const UnitAddress> units) {
  begun_ = 0;
  next_page_ = 0;
  if (units.empty() || units[0].pass != 1) return false;
  const Geometry& geometry = reader_->head().geometry;
  std::uint64_t frames = 0;
  while (units_.size() < units.size()) units_.emplace_back();
  for (std::size_t i = 1; i < units.size(); ++i) {
    auto facts = reader_->facts(units[i]);
    if (!facts || !facts->difference_sha256) return false;
    frames += facts->stored_bytes;
    units_[i].facts = std::move(*facts);
  }
  streams_ = std::max(streams_, units.size() - 1);
  const std::uint64_t needed = geometry.block_raw_bytes() + frames + streams_ * DifferenceStream::most_bytes(geometry.block_raw_bytes());
  if (needed > memory_ || !take_pass_1(units[0])) return false;
  if (needed + inside_->expected.raw.size() > memory_) inside_->expected.raw = Bytes();
  const UnitFacts& pass_1 = inside_->here.facts;
  const MutableByteSpan room = inside_->room_for_frames(frames);
  for (std::size_t i = 1, at = 0; i < units.size(); ++i) {
    const UnitFacts& facts = units_[i].facts;
    const MutableByteSpan frame = room.subspan(at, facts.stored_bytes);
    at += frame.size();
    if (!reader_->read_stored(units[i], facts, frame) || difference_digest(pass_1.sha256, frame) != facts.difference_sha256) return false;
    auto& stream = units_[i].stream;
    if (!stream) stream = std::make_unique<Stream>();
    stream->page.resize(geometry.raw_page_bytes());
    if (!stream->difference.begin(facts.codec, frame, geometry.block_raw_bytes())) return false;
  }
  inside_->hashing = false;
  if (inside_->hasher.finish() != pass_1.sha256) return false;
  for (std::size_t i = 0; i < units.size(); ++i) {
    units_[i].address = units[i];
    units_[i].status = page_status(i == 0 ? pass_1 : units_[i].facts, geometry.pages_per_block);
  }
  begun_ = units.size();
  return true;
}

Result<void> BlockPasses::page(std::uint32_t page, std::span<ByteSpan> pages) {
  const Geometry& geometry = reader_->head().geometry;
  assert(pages.size() == begun_ && page >= next_page_ && page < geometry.pages_per_block);
  for (; next_page_ <= page; ++next_page_)
    for (std::size_t i = 1; i < begun_; ++i) {
      Stream& stream = *units_[i].stream;
      if (const auto got = stream.difference.next(stream.page, next_page_ + 1 == geometry.pages_per_block); !got)
        return failure(reader_->not_read(units_[i].address, got.error()));
      pages[i] = stream.page;
    }
  pages[0] = ByteSpan(inside_->here.raw).subspan(std::size_t{page} * geometry.raw_page_bytes(), geometry.raw_page_bytes());
  return {};
}

}  // namespace steadycell::passes
