#pragma once
#include <functional>
#include <memory>

#include "base/bytes.h"
#include "base/result.h"
#include "image/page_frames.h"

// corrections.xor.zst: voted XOR best, so that the vote can be had back from pages.raw. Pages in image order, one
// zstd frame per block, nothing else in the file: `zstd -d` gives page after page, the n-th frame is the n-th
// block.
namespace steadycell::image {

class CorrectionsWriter {
 public:
  explicit CorrectionsWriter(std::uint32_t pages_per_block) : frames_(pages_per_block) {}

  // `difference` is voted XOR best of a raw page. Appends to `out` whatever is ready; each block ends its frame.
  void add_page(ByteSpan difference, Bytes& out) { frames_.add_page(difference, out); }
  // The file may end here: no block is half written.
  bool complete() const { return frames_.complete(); }

 private:
  PageFrameWriter frames_;
};

// Reads the file in pieces of any size, in the memory of one page and one zstd window. A frame that holds more or
// less than one block, a checksum that fails, or a text that ends inside a frame is file_damaged with the block.
class CorrectionsReader {
 public:
  using Sink = std::function<Result<void>(std::uint64_t page_in_image, ByteSpan difference)>;

  CorrectionsReader(std::uint32_t raw_page_bytes, std::uint32_t pages_per_block);
  Result<void> feed(ByteSpan compressed, const Sink& sink);
  // The file is over. `pages` is what the image covers.
  Result<void> finish(std::uint64_t pages) const;

 private:
  PageFrameReader frames_;
  Bytes page_;
  std::uint32_t raw_page_bytes_, pages_per_block_;
  std::uint64_t pages_ = 0;
};

}  // namespace steadycell::image
