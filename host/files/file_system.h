#pragma once
#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "base/bytes.h"
#include "base/result.h"

// The seam between us and the disk. Everything that reads or writes a file goes through a FileSystem, so that tests can
// fail the n-th call, fill the disk and cut the power.
//
// Errors: storage_full when the disk is full, already_exists, not_found, storage_failed for the rest; each names the
// path and the operation. Paths are used as given; symbolic links are not followed in the last component.
namespace steadycell::files {

// One open file. Closed by its destructor; what was not synced may be lost at a power cut.
class File {
 public:
  virtual ~File() = default;
  // Reads up to out.size() bytes at `offset`; fewer only at the end of the file.
  virtual Result<std::size_t> read_at(std::uint64_t offset, MutableByteSpan out) = 0;
  // Writes all of `bytes` at `offset`, or fails having written some of them.
  virtual Result<void> write_at(std::uint64_t offset, ByteSpan bytes) = 0;
  virtual Result<std::uint64_t> size() = 0;
  virtual Result<void> truncate(std::uint64_t size) = 0;
  // Returns when the content is on the medium. A failure is final: the range is suspect, and a later sync that
  // succeeds proves nothing about it.
  virtual Result<void> sync() = 0;
};

// Held while it lives; another process (or another call) that asks for the same path is refused.
class Lock {
 public:
  virtual ~Lock() = default;
};

class FileSystem {
 public:
  virtual ~FileSystem() = default;
  virtual Result<std::unique_ptr<File>> open_read(const std::string& path) = 0;
  virtual Result<std::unique_ptr<File>> open_write(const std::string& path) = 0;  // must exist
  // Fails with already_exists instead of opening what is there. Mode 0640.
  virtual Result<std::unique_ptr<File>> create(const std::string& path) = 0;
  virtual Result<bool> exists(const std::string& path) = 0;
  virtual Result<void> make_directory(const std::string& path) = 0;  // mode 2770; already_exists when it is there
  virtual Result<std::vector<std::string>> list(const std::string& directory) = 0;  // names, sorted
  virtual Result<void> remove_file(const std::string& path) = 0;
  virtual Result<void> remove_directory(const std::string& path) = 0;  // must be empty
  // Never replaces: already_exists when `to` is there. Works for folders too.
  virtual Result<void> rename(const std::string& from, const std::string& to) = 0;
  // Makes renames and creations in it durable. Where a file system cannot, that is no failure.
  virtual Result<void> sync_directory(const std::string& path) = 0;
  virtual Result<std::uint64_t> free_bytes(const std::string& directory) = 0;
  virtual Result<std::unique_ptr<Lock>> lock(const std::string& path) = 0;  // board_busy when it is held
};

// The real one.
FileSystem& posix();

}  // namespace steadycell::files
