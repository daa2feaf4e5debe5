#include "passes/block_passes.h"

#include <algorithm>
#include <cassert>
#include <optional>
#include <utility>

#include "passes/codec.h"
#include "passes/hasher.h"

namespace steadycell::passes {

struct BlockPasses::Inside {
  // A unit of pass 1.
  struct Whole {
    UnitFacts facts;
    Bytes raw;
  };
  Whole here, expected;
  std::optional<UnitAddress> expected_unit;  // nothing: `expected` holds none
  Hasher hasher;                             // of `expected`; ends before it
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
  if (memory_used_ + reader_->head().geometry.block_raw_bytes() <= memory_) read_pass_1(pass_1);
}

void BlockPasses::read_pass_1(UnitAddress pass_1) {
  if (inside_->expected_unit == pass_1) return;
  if (std::exchange(inside_->expected_unit, std::nullopt)) (void)inside_->hasher.finish();
  Inside::Whole& next = inside_->expected;
  auto facts = reader_->facts(pass_1);
  if (!facts || facts->xor_zstd) return;
  next.raw.resize(reader_->head().geometry.block_raw_bytes());
  if (!reader_->read_stored(pass_1, *facts, next.raw)) return;
  next.facts = std::move(*facts);
  inside_->expected_unit = pass_1;
  inside_->hasher.start(next.raw);
}

// The unit read, hashed, and right.
bool BlockPasses::take_pass_1(UnitAddress unit) {
  read_pass_1(unit);
  if (!std::exchange(inside_->expected_unit, std::nullopt)) return false;
  std::swap(inside_->here, inside_->expected);
  return inside_->hasher.finish() == inside_->here.facts.sha256;
}

bool BlockPasses::begin(std::span<const UnitAddress> units) {
  begun_ = 0;
  next_page_ = 0;
  if (units.empty() || units[0].pass != 1) return false;
  const Geometry& geometry = reader_->head().geometry;
  memory_used_ = geometry.block_raw_bytes();
  if (memory_used_ > memory_) return false;
  while (units_.size() < units.size()) units_.emplace_back();
  for (std::size_t i = 0; i < units.size(); ++i) {
    units_[i].address = units[i];
    if (i == 0) continue;
    const auto facts = reader_->facts(units[i]);
    if (!facts || !facts->stored_sha256) return false;
    memory_used_ += DifferenceStream::kBytes + facts->stored_bytes;
    if (memory_used_ > memory_) return false;
    if (!units_[i].stream) units_[i].stream = std::make_unique<Stream>();
    units_[i].stream->page.resize(geometry.raw_page_bytes());
    const MutableByteSpan frame = units_[i].stream->difference.frame(facts->stored_bytes);
    if (!reader_->read_stored(units[i], *facts, frame) || Sha256::of(frame) != facts->stored_sha256) return false;
    if (!units_[i].stream->difference.begin()) return false;
    units_[i].status = page_status(*facts, geometry.pages_per_block);
  }
  if (!take_pass_1(units[0])) return false;
  units_[0].status = page_status(inside_->here.facts, geometry.pages_per_block);
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
