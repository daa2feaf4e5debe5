#pragma once
#include <limits>

#include "base/bytes.h"
#include "base/result.h"

// What differs between two reads of a unit, as a list: reads of one block differ in few bytes, and a list of these is made at the pace
// of comparing and undone without unpacking the zeros between them. docs/capture.md has the bytes. Not for other rooms.
namespace steadycell::passes {

// The longest list that is kept for a unit of so many bytes; with more changes the whole difference packs better.
constexpr std::size_t most_change_bytes(std::uint64_t raw_bytes) { return static_cast<std::size_t>(raw_bytes / 16); }

// Makes the list from the front to the back.
class ChangeWriter {
 public:
  void begin();
  // What differs between the next bytes of the two reads, of one size.
  void add(ByteSpan a, ByteSpan b);
  ByteSpan list() const { return list_; }

 private:
  Bytes list_;
  std::uint64_t same_ = 0;  // bytes since the last change
};

// Goes through the list from the front to the back. It may come from strangers.
class ChangeReader {
 public:
  // The list stays as it is to the last apply(). file_damaged as apply().
  Result<void> begin(ByteSpan list);
  // Turns the next bytes of one read into those of the other, by XOR; they are the last ones where `last` says so. file_damaged for a
  // list that no writer of ours makes, or that goes on behind the last byte.
  Result<void> apply(MutableByteSpan bytes, bool last);

 private:
  static constexpr std::uint64_t kNone = std::numeric_limits<std::uint64_t>::max();
  Result<void> read_next(std::uint64_t from);

  ByteSpan list_;
  std::size_t used_ = 0;
  std::uint64_t at_ = kNone;  // of the next change, from the first byte that was not yet applied to
  std::uint8_t value_ = 0;
};

}  // namespace steadycell::passes
