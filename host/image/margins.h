#pragma once
#include <functional>

#include "base/bytes.h"
#include "base/result.h"
#include "image/page_frames.h"

// margins.bin: how clear the vote was on every bit. For each page the number of votes n, and for each bit how many
// of them went against the voted value (0..n/2); the margin of a bit is n minus twice that, 0 meaning a tie.
//
// The file is one zstd skippable frame with the header, then one zstd frame per block in image order, so `zstd -d`
// gives the pages:
//   header  u32 0x184D2A5C, u32 16, then "SCMG", u16 version 1, u16 0, u32 raw_page_bytes, u32 pages_per_block
//   page    u8 votes n (0: not read), u8 planes p (0..7), then p planes of raw_page_bytes each: bit b of byte i of
//           plane j is bit j of the against-count of bit b of byte i of the page. A page without unstable bits is
//           two bytes.
// Numbers are little-endian.
namespace steadycell::image {

inline constexpr std::uint32_t kMaxMarginPlanes = 7;  // an against-count of at most 127 of 255 votes

struct PageMargins {
  std::uint32_t votes = 0;   // 0..255
  std::uint32_t planes = 0;  // bits of the largest against-count
  ByteSpan against;          // planes * raw_page_bytes, plane after plane
};

class MarginsWriter {
 public:
  MarginsWriter(std::uint32_t raw_page_bytes, std::uint32_t pages_per_block);

  // The file starts with this.
  void begin(Bytes& out) const;
  // Planes of zeros at the top are dropped, so a caller may always hand over as many as its tally has.
  void add_page(const PageMargins& margins, Bytes& out);
  bool complete() const { return frames_.complete(); }

 private:
  PageFrameWriter frames_;
  std::uint32_t raw_page_bytes_, pages_per_block_;
};

// Reads the file in pieces of any size. What is not as above is file_damaged with the block; a header of another
// version is version_unknown, one of another geometry file_damaged.
class MarginsReader {
 public:
  using Sink = std::function<Result<void>(std::uint64_t page_in_image, const PageMargins&)>;

  MarginsReader(std::uint32_t raw_page_bytes, std::uint32_t pages_per_block);
  Result<void> feed(ByteSpan bytes, const Sink& sink);
  Result<void> finish(std::uint64_t pages) const;

 private:
  Result<void> take(ByteSpan decoded, const Sink& sink);
  Result<void> end_of_block() const;

  PageFrameReader frames_;
  Bytes header_;   // until it is whole
  Bytes content_;  // the page not yet whole
  std::uint32_t raw_page_bytes_, pages_per_block_;
  std::uint64_t pages_ = 0;
};

// Against-count of one bit (bit 0 = least significant bit of byte 0).
std::uint32_t against_of(const PageMargins& margins, std::uint32_t raw_page_bytes, std::uint64_t bit);

}  // namespace steadycell::image
