#pragma once
#include <memory>
#include <string>

#include "files/file_system.h"

namespace steadycell::files {

// "case7/image" -> "case7"; "image" -> ".".
std::string parent_of(const std::string& path);
std::string join(const std::string& directory, const std::string& name);

// Whether something new can be made at `path`: already_exists when something is there, not_found when there is no folder to
// make it in, wrong_usage for an empty path. For jobs that cost time or power: asked before they begin.
Result<void> check_free(FileSystem& system, const std::string& path);

// Reads a whole small file; refuses one longer than `limit` bytes (bad_input_file).
Result<Bytes> read_whole(FileSystem& system, const std::string& path, std::uint64_t limit);
Result<std::string> read_text(FileSystem& system, const std::string& path, std::uint64_t limit);

// A file that gets its name only when it is complete: written as NAME.partial-N, synced, renamed without replacing,
// folder synced. Dropped without commit() it leaves nothing under any name; what a killed process left behind is removed
// by the next one that makes the same name, and never while its maker lives.
class AtomicFile {
 public:
  static Result<AtomicFile> create(FileSystem& system, std::string path);
  AtomicFile(AtomicFile&& other) noexcept;
  AtomicFile& operator=(AtomicFile&&) = delete;
  ~AtomicFile();

  Result<void> append(ByteSpan bytes);
  std::uint64_t size() const { return size_; }
  Result<void> commit();

 private:
  AtomicFile(FileSystem& system, std::string path) : system_(&system), path_(std::move(path)) {}

  FileSystem* system_;
  std::string path_, partial_;
  std::unique_ptr<Lock> lock_;
  std::unique_ptr<File> file_;  // null once committed or moved from
  std::uint64_t size_ = 0;
};

// Writes a small file atomically.
Result<void> write_whole(FileSystem& system, const std::string& path, ByteSpan bytes);

// A folder of files that gets its name only when all of them are complete and synced; otherwise as AtomicFile.
class AtomicFolder {
 public:
  static Result<AtomicFolder> create(FileSystem& system, std::string path);
  AtomicFolder(AtomicFolder&& other) noexcept;
  AtomicFolder& operator=(AtomicFolder&&) = delete;
  ~AtomicFolder();

  // A new file in the folder; its owner syncs it before commit().
  Result<std::unique_ptr<File>> create_file(const std::string& name);
  Result<void> commit();
  // Where the files are until commit().
  const std::string& partial() const { return partial_; }

 private:
  AtomicFolder(FileSystem& system, std::string path) : system_(&system), path_(std::move(path)) {}

  FileSystem* system_;  // null once committed or moved from
  std::string path_, partial_;
  std::unique_ptr<Lock> lock_;
  std::vector<std::string> names_;
};

}  // namespace steadycell::files
