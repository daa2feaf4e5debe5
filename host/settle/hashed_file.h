#pragma once
#include <memory>
#include <string>

#include "base/sha256.h"
#include "files/file_system.h"
#include "image/manifest.h"

namespace steadycell::settle {

// A file of the bundle while it is written: appends through a buffer.
class AppendedFile {
 public:
  AppendedFile(std::string name, std::unique_ptr<files::File> file) : name_(std::move(name)), file_(std::move(file)) {}

  Result<void> append(ByteSpan bytes);
  // Writes what is left, syncs and says what the manifest records; somebody else has hashed what was appended. Nothing may
  // follow.
  Result<image::FileEntry> finish(const Digest& sha256);

 private:
  Result<void> flush();
  Result<void> write(ByteSpan bytes);

  std::string name_;
  std::unique_ptr<files::File> file_;
  Bytes buffer_;
  std::uint64_t written_ = 0;
};

// One that hashes on the way.
class HashedFile {
 public:
  explicit HashedFile(AppendedFile file) : file_(std::move(file)) {}

  Result<void> append(ByteSpan bytes) {
    hash_.update(bytes);
    return file_.append(bytes);
  }
  Result<image::FileEntry> finish() { return file_.finish(hash_.finish()); }

 private:
  AppendedFile file_;
  Sha256 hash_;
};

}  // namespace steadycell::settle
