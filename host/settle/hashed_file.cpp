#include "settle/hashed_file.h"

namespace steadycell::settle {
namespace {

constexpr std::size_t kBufferBytes = std::size_t{256} << 10;

}  // namespace

Result<void> AppendedFile::append(ByteSpan bytes) {
  if (buffer_.empty() && bytes.size() >= kBufferBytes) return write(bytes);
  buffer_.insert(buffer_.end(), bytes.begin(), bytes.end());
  if (buffer_.size() < kBufferBytes) return {};
  return flush();
}

Result<void> AppendedFile::flush() {
  if (auto done = write(buffer_); !done) return done;
  buffer_.clear();
  return {};
}

Result<void> AppendedFile::write(ByteSpan bytes) {
  if (auto done = file_->write_at(written_, bytes); !done) return done;
  written_ += bytes.size();
  return {};
}

Result<image::FileEntry> AppendedFile::finish(const Digest& sha256) {
  if (const auto done = flush(); !done) return failure(done.error());
  if (const auto synced = file_->sync(); !synced) return failure(synced.error());
  file_.reset();
  return image::FileEntry{.name = name_, .bytes = written_, .sha256 = sha256};
}

}  // namespace steadycell::settle
