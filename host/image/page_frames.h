#pragma once
#include <functional>
#include <memory>

#include "base/bytes.h"
#include "base/result.h"

// One zstd frame (RFC 8878) per block of pages: the ground of corrections.xor.zst and margins.bin.
namespace steadycell::image {

// Frames carry a checksum and need a window of at most 1 MiB, whatever the block's size.
class PageFrameWriter {
 public:
  explicit PageFrameWriter(std::uint32_t pages_per_block);
  ~PageFrameWriter();
  PageFrameWriter(PageFrameWriter&&) noexcept;
  PageFrameWriter& operator=(PageFrameWriter&&) noexcept;

  // Appends what is ready to `out`; the last page of a block ends its frame. `begin`: what stands before `content` in the page.
  void add_page(ByteSpan content, Bytes& out, ByteSpan begin = {});
  bool complete() const { return pages_in_frame_ == 0; }

 private:
  struct Context;
  std::unique_ptr<Context> context_;
  std::uint32_t pages_per_block_, pages_in_frame_ = 0;
};

// Undoes it piece by piece. Decoded bytes are handed on in small runs, so a frame that claims or makes absurd
// sizes costs no memory; the sink stops it. Windows above 8 MiB are refused.
class PageFrameReader {
 public:
  struct Sink {
    std::function<Result<void>(ByteSpan)> bytes;  // the next decoded bytes of the frame
    std::function<Result<void>()> frame_end;
  };

  PageFrameReader();
  ~PageFrameReader();
  PageFrameReader(PageFrameReader&&) noexcept;
  PageFrameReader& operator=(PageFrameReader&&) noexcept;

  Result<void> feed(ByteSpan compressed, const Sink& sink);
  bool at_frame_border() const;
  std::uint64_t frames() const { return frames_; }  // frames ended so far

 private:
  struct Context;
  std::unique_ptr<Context> context_;
  std::uint64_t frames_ = 0;
};

}  // namespace steadycell::image
