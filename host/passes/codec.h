#pragma once
#include <functional>
#include <memory>
#include <optional>

#include "base/bytes.h"
#include "base/result.h"

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
    ByteSpan frame;                      // valid until the next call
    std::uint32_t reference_crc32c = 0;  // of the reference that came
  };
  // (raw XOR reference) as one zstd frame (RFC 8878) of level 1; nothing when that would not be shorter than raw. The reference is
  // asked for in pieces.
  Result<std::optional<Packed>> pack(ByteSpan raw, const ReadAt& reference);
  // Undoes pack; fills all of `out`. file_damaged for a frame that is broken, too short, too long, or asks for more memory
  // than any frame of ours.
  Result<void> unpack(std::uint64_t stored_bytes, const ReadAt& stored, const ReadAt& reference, MutableByteSpan out);
  // The same with all of the reference at hand.
  Result<void> unpack(std::uint64_t stored_bytes, const ReadAt& stored, ByteSpan reference, MutableByteSpan out);

 private:
  Result<void> unpack_difference(std::uint64_t stored_bytes, const ReadAt& stored, MutableByteSpan out);
  struct Zstd;
  std::unique_ptr<Zstd> zstd_;
  Bytes in_, out_;
  std::unique_ptr<std::uint8_t[]> frame_;  // of the unit that was packed last
  std::size_t frame_bytes_ = 0;            // room that it has
};

// (raw XOR reference) from the front to the back, out of a frame in memory.
class DifferenceStream {
 public:
  // What one takes besides its frame, with frames of ours.
  static constexpr std::size_t kBytes = 512 << 10;

  DifferenceStream();
  ~DifferenceStream();

  // Begins with a frame, which stays as it is to the last next(). file_damaged for what is none, or asks for more memory than frames
  // of ours do.
  Result<void> begin(ByteSpan frame);
  // Fills `out` with the next bytes, which are the last ones where `last` says so. file_damaged as UnitCodec::unpack.
  Result<void> next(MutableByteSpan out, bool last);

 private:
  struct Zstd;
  std::unique_ptr<Zstd> zstd_;
  ByteSpan frame_;
  std::size_t used_ = 0;
};

}  // namespace steadycell::passes
