#include "image/corrections.h"

#include <algorithm>

namespace steadycell::image {

CorrectionsReader::CorrectionsReader(std::uint32_t raw_page_bytes, std::uint32_t pages_per_block)
    : raw_page_bytes_(raw_page_bytes), pages_per_block_(pages_per_block) {
  page_.reserve(raw_page_bytes);
}

Result<void> CorrectionsReader::feed(ByteSpan compressed, const Sink& sink) {
  PageFrameReader::Sink frame_sink;
  frame_sink.bytes = [&](ByteSpan decoded) -> Result<void> {
    while (!decoded.empty()) {
      if (pages_ == (frames_.frames() + 1) * pages_per_block_)
        return failure(ErrorCode::file_damaged, "corrections block {}: the frame holds more than {} pages",
                       frames_.frames(), pages_per_block_);
      const std::size_t take = std::min(decoded.size(), raw_page_bytes_ - page_.size());
      page_.insert(page_.end(), decoded.begin(), decoded.begin() + static_cast<std::ptrdiff_t>(take));
      decoded = decoded.subspan(take);
      if (page_.size() < raw_page_bytes_) return {};
      auto taken = sink(pages_++, page_);
      page_.clear();
      if (!taken) return taken;
    }
    return {};
  };
  frame_sink.frame_end = [&]() -> Result<void> {
    if (pages_ != frames_.frames() * pages_per_block_ || !page_.empty())
      return failure(ErrorCode::file_damaged, "corrections block {}: the frame holds less than {} pages",
                     frames_.frames() - 1, pages_per_block_);
    return {};
  };
  return frames_.feed(compressed, frame_sink);
}

Result<void> CorrectionsReader::finish(std::uint64_t pages) const {
  if (!frames_.at_frame_border())
    return failure(ErrorCode::file_damaged, "corrections block {}: the file ends inside the frame",
                   frames_.frames());
  if (pages_ != pages)
    return failure(ErrorCode::file_damaged, "corrections hold {} pages, the image covers {}", pages_, pages);
  return {};
}

}  // namespace steadycell::image
