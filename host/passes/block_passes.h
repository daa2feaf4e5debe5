#pragma once
#include <cstdint>
#include <memory>
#include <span>
#include <vector>

#include "passes/capture.h"

namespace steadycell::passes {

// The passes of one block page by page, for whoever votes over them: pass 1 whole, the later ones as the differences to it that they are
// stored as, unpacked when their page comes. So what is at work stays in the cache, and memory is that of a block or two and a little
// for each pass. Checked before the first page comes: pass 1 by its hash, a difference by the hash that binds its stored bytes to that.
// Used from one thread.
class BlockPasses {
 public:
  // `memory`: most bytes that a block may take.
  BlockPasses(CaptureReader& reader, std::uint64_t memory);
  BlockPasses(BlockPasses&&) noexcept;
  BlockPasses& operator=(BlockPasses&&) noexcept;
  ~BlockPasses();

  // Begins to read and to hash a unit of pass 1, so that a begin() with it soon has less to wait for. Where memory does not suffice for
  // two blocks, and for what cannot be read, nothing.
  void expect(UnitAddress pass_1);

  // Begins with the passes of a block, ascending. False when not all of them can be had so: pass 1 is not among them or not the one
  // that a later one was made to, a later one is stored whole or has no difference_sha256, memory does not suffice, or something is
  // damaged or missing. Read them by CaptureReader::read_units then, which says what is wrong.
  bool begin(std::span<const UnitAddress> units);
  // Of the unit with that place in `units`: one entry a page.
  std::span<const PageStatus> status(std::size_t unit) const { return units_[unit].status; }
  // A page of the block, each at most once, in ascending order. pages[0] gets the page of pass 1, the others what is to be
  // XORed to it; the bytes stay until the next call. Fails with file_damaged for what no writer of ours stores.
  Result<void> page(std::uint32_t page, std::span<ByteSpan> pages);

 private:
  struct Inside;  // the unit of pass 1 at hand, the one expected, the frames
  struct Stream;
  struct Unit {
    UnitAddress address;
    UnitFacts facts;  // like `stream` not of pass 1
    std::vector<PageStatus> status;
    std::unique_ptr<Stream> stream;
  };
  bool take_pass_1(UnitAddress unit);

  CaptureReader* reader_;
  std::uint64_t memory_;
  std::unique_ptr<Inside> inside_;
  std::vector<Unit> units_;  // those begun with come first; the others keep their memory
  std::size_t begun_ = 0, streams_ = 0;
  std::uint32_t next_page_ = 0;
};

}  // namespace steadycell::passes
