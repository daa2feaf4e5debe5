#include "files/window.h"

#include <algorithm>

namespace steadycell::files {

Result<ByteSpan> Window::at(std::uint64_t offset, std::size_t count) {
  const bool held = offset >= start_ && offset - start_ <= filled_ && filled_ - (offset - start_) >= count;
  if (!held) {
    buffer_.resize(std::max(capacity_, count));
    filled_ = 0;
    const auto got = file_->read_at(offset, buffer_);
    if (!got) return failure(got.error());
    start_ = offset;
    filled_ = *got;
  }
  const std::size_t from = static_cast<std::size_t>(offset - start_);
  return ByteSpan(buffer_).subspan(from, std::min(count, filled_ - from));
}

}  // namespace steadycell::files
