#pragma once
#include <functional>
#include <memory>
#include <optional>

#include "base/bytes.h"
#include "base/result.h"
#include "passes/capture.h"
#include "passes/changes.h"

// How the bytes of a unit are stored: as they are, or as the difference to pass 1. Not for other rooms.
namespace steadycell::passes {

// Works in pieces: its memory does not grow with what a hostile frame claims. Packing has room for one more unit, of which it touches
// as much as the frame takes.
class UnitCodec {
 public:
  static constexpr std::size_t kPieceBytes = 256 << 10;

  using ReadAt = std::function<Result<void>(std::uint64_t offset, MutableByteSpan out)>;

  UnitCodec();
  ~UnitCodec();

  struct Packed {
    Codec codec = Codec::difference;
    ByteSpan frame;                      // valid until the next call
    std::uint32_t reference_crc32c = 0;  // of the reference that came
  };
  // (raw XOR reference) as one zstd frame (RFC 8878) of level 1, of the list of its changes where `may_list` allows it and that is
  // short; nothing when the frame would not be shorter than raw. The reference is asked for in pieces.
  Result<std::optional<Packed>> pack(ByteSpan raw, const ReadAt& reference, bool may_list);
  // What is stored of a unit: `read` gives any piece of its `bytes`.
  struct Stored {
    Codec codec;
    std::uint64_t bytes;
    const ReadAt& read;
  };
  // Undoes pack; fills all of `out`. file_damaged for a frame that is broken, too short, too long, or asks for more memory
  // than any frame of ours.
  Result<void> unpack(const Stored& stored, const ReadAt& reference, MutableByteSpan out);
  // The same with all of the reference at hand.
  Result<void> unpack(const Stored& stored, ByteSpan reference, MutableByteSpan out);

 private:
  Result<std::optional<Packed>> pack_changes(ByteSpan raw, const ReadAt& reference);
  Result<std::optional<Packed>> pack_difference(ByteSpan raw, const ReadAt& reference);
  Result<void> unpack_difference(const Stored& stored, MutableByteSpan out);
  Result<void> unpack_changes(const Stored& stored, MutableByteSpan reference);
  struct Zstd;
  std::unique_ptr<Zstd> zstd_;
  ChangeWriter changes_;
  Bytes in_, out_;
  std::unique_ptr<std::uint8_t[]> frame_;  // of the unit that was packed last
  std::size_t frame_bytes_ = 0;            // room that it has
};

// (raw XOR reference) from the front to the back, out of a frame in memory.
class DifferenceStream {
 public:
  // What one takes besides its frame, with frames of ours: zstd's own, and the longest list.
  static constexpr std::uint64_t most_bytes(std::uint64_t raw_bytes) { return (512 << 10) + most_change_bytes(raw_bytes); }

  DifferenceStream();
  ~DifferenceStream();

  // Begins with the frame of a unit of `raw_bytes`, which stays as it is to the last next(). file_damaged for what is none, or asks for
  // more memory than frames of ours do.
  Result<void> begin(Codec codec, ByteSpan frame, std::uint64_t raw_bytes);
  // Fills `out` with the next bytes, which are the last ones where `last` says so. file_damaged as UnitCodec::unpack.
  Result<void> next(MutableByteSpan out, bool last);

 private:
  Result<void> unpack_next(MutableByteSpan out, bool last);
  struct Zstd;
  std::unique_ptr<Zstd> zstd_;
  Codec codec_ = Codec::difference;
  ByteSpan frame_;
  std::size_t used_ = 0;
  Bytes list_;  // of changes
  ChangeReader changes_;
};

}  // namespace steadycell::passes
