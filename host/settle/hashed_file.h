#pragma once
#include <memory>
#include <string>

#include "base/sha256.h"
#include "files/file_system.h"
#include "image/manifest.h"

namespace steadycell::settle {

// A file of the bundle while it is written: appends through a buffer and hashes on the way.
class HashedFile {
 public:
  HashedFile(std::string name, std::unique_ptr<files::File> file) : name_(std::move(name)), file_(std::move(file)) {}

  Result<void> append(ByteSpan bytes);
  // Writes what is left, syncs and says what the manifest records. Nothing may follow.
  Result<image::FileEntry> finish();

 private:
  Result<void> flush();

  std::string name_;
  std::unique_ptr<files::File> file_;
  Sha256 hash_;
  Bytes buffer_;
  std::uint64_t written_ = 0;
};

}  // namespace steadycell::settle
