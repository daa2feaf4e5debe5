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
// Errors: storage_full when the disk is full, already_exists, not_found, no_permission, bad_name for a name that is too long or
// a symbolic link, storage_failed for the rest; each names the path and the operation. Paths are used as given; symbolic
// links are not followed in the last component.
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
  // Keeps room on the disk for writes in this range, beyond the end of the file too; the size stays as it is. truncate()
  // gives back what lies behind. Does nothing where the file system cannot; storage_full when there is no such room.
  virtual Result<void> reserve(std::uint64_t /*offset*/, std::uint64_t /*bytes*/) { return {}; }
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
  // The folder's path from the root on, without links, by which the folders around it are found. As it is where there is no more to know.
  virtual Result<std::string> real_path(const std::string& directory) { return directory; }
  // Makes renames and creations in it durable. Where a file system cannot, that is no failure.
  virtual Result<void> sync_directory(const std::string& path) = 0;
  // Whether sync_directory does anything there: worth a note where it does not.
  virtual bool syncs_directories(const std::string& /*path*/) { return true; }
  virtual Result<std::uint64_t> free_bytes(const std::string& directory) = 0;
  // Locks a file or a folder; a file that is missing is made. in_use when it is held.
  virtual Result<std::unique_ptr<Lock>> lock(const std::string& path) = 0;
};

// The real one.
FileSystem& posix();

// The real one below one folder: paths are relative to it, each part of them must be a safe_name (bad_name otherwise), and
// no symbolic link is followed on the way. For names that come from outside.
Result<std::unique_ptr<FileSystem>> beneath(const std::string& root);

}  // namespace steadycell::files
