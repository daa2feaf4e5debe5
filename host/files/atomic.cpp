#include "files/atomic.h"

#include <cassert>

#include "base/text.h"

namespace steadycell::files {

std::string parent_of(const std::string& path) {
  const std::size_t end = path.find_last_not_of('/');
  const std::size_t slash = end == std::string::npos ? std::string::npos : path.find_last_of('/', end);
  if (slash == std::string::npos) return path.starts_with('/') ? "/" : ".";
  return slash == 0 ? "/" : path.substr(0, slash);
}

std::string join(const std::string& directory, const std::string& name) {
  return directory.ends_with('/') ? directory + name : directory + "/" + name;
}

Result<Bytes> read_whole(FileSystem& system, const std::string& path, std::uint64_t limit) {
  auto file = system.open_read(path);
  if (!file) return failure(file.error());
  const auto size = (*file)->size();
  if (!size) return failure(size.error());
  if (*size > limit)
    return failure(Error(ErrorCode::bad_input_file, fmt::format("{} has {} bytes, more than such a file may have ({})", path, *size, limit)));
  Bytes bytes(*size);
  const auto got = (*file)->read_at(0, bytes);
  if (!got) return failure(got.error());
  bytes.resize(*got);
  return bytes;
}

Result<std::string> read_text(FileSystem& system, const std::string& path, std::uint64_t limit) {
  const auto bytes = read_whole(system, path, limit);
  if (!bytes) return failure(bytes.error());
  return std::string(as_text(*bytes));
}

namespace {

Result<void> refuse_existing(FileSystem& system, const std::string& path) {
  const auto there = system.exists(path);
  if (!there) return failure(there.error());
  if (*there) return failure(ErrorCode::already_exists, "{} exists", path);
  return {};
}

// What a killed process left under the name that never was final.
Result<void> remove_leftover_file(FileSystem& system, const std::string& path) {
  const auto there = system.exists(path);
  if (!there) return failure(there.error());
  return *there ? system.remove_file(path) : Result<void>();
}

Result<void> remove_leftover_folder(FileSystem& system, const std::string& path) {
  const auto there = system.exists(path);
  if (!there) return failure(there.error());
  if (!*there) return {};
  const auto names = system.list(path);
  if (!names) return failure(names.error());
  for (const std::string& name : *names)
    if (const auto removed = system.remove_file(join(path, name)); !removed) return removed;
  return system.remove_directory(path);
}

}  // namespace

Result<AtomicFile> AtomicFile::create(FileSystem& system, std::string path) {
  if (const auto fresh = refuse_existing(system, path); !fresh) return failure(fresh.error());
  if (const auto cleared = remove_leftover_file(system, path + ".partial"); !cleared) return failure(cleared.error());
  auto file = system.create(path + ".partial");
  if (!file) return failure(file.error());
  return AtomicFile(system, std::move(path), std::move(*file));
}

AtomicFile::~AtomicFile() {
  if (!file_) return;
  file_.reset();
  (void)system_->remove_file(partial());  // at worst it stays, under a name that is never read
}

Result<void> AtomicFile::append(ByteSpan bytes) {
  assert(file_ && "append after commit");
  const auto written = file_->write_at(size_, bytes);
  if (written) size_ += bytes.size();
  return written;
}

Result<void> AtomicFile::commit() {
  assert(file_ && "commit twice");
  if (const auto synced = file_->sync(); !synced) return synced;
  if (const auto renamed = system_->rename(partial(), path_); !renamed) return renamed;
  file_.reset();
  return system_->sync_directory(parent_of(path_));
}

Result<void> write_whole(FileSystem& system, const std::string& path, ByteSpan bytes) {
  auto file = AtomicFile::create(system, path);
  if (!file) return failure(file.error());
  if (const auto appended = file->append(bytes); !appended) return appended;
  return file->commit();
}

Result<AtomicFolder> AtomicFolder::create(FileSystem& system, std::string path) {
  while (path.size() > 1 && path.ends_with('/')) path.pop_back();
  if (const auto fresh = refuse_existing(system, path); !fresh) return failure(fresh.error());
  if (const auto cleared = remove_leftover_folder(system, path + ".partial"); !cleared) return failure(cleared.error());
  if (const auto made = system.make_directory(path + ".partial"); !made) return failure(made.error());
  return AtomicFolder(system, std::move(path));
}

AtomicFolder::AtomicFolder(AtomicFolder&& other) noexcept
    : system_(other.system_), path_(std::move(other.path_)), names_(std::move(other.names_)) {
  other.system_ = nullptr;
}

AtomicFolder::~AtomicFolder() {
  if (!system_) return;
  for (const std::string& name : names_) (void)system_->remove_file(join(partial(), name));
  (void)system_->remove_directory(partial());
}

Result<std::unique_ptr<File>> AtomicFolder::create_file(const std::string& name) {
  if (!safe_name(name)) return failure(ErrorCode::bad_name, "\"{}\" is no name for a file here", printable(name));
  auto file = system_->create(join(partial(), name));
  if (file) names_.push_back(name);
  return file;
}

Result<void> AtomicFolder::commit() {
  assert(system_ && "commit twice");
  if (const auto synced = system_->sync_directory(partial()); !synced) return synced;
  if (const auto renamed = system_->rename(partial(), path_); !renamed) return renamed;
  FileSystem& system = *system_;
  system_ = nullptr;
  return system.sync_directory(parent_of(path_));
}

}  // namespace steadycell::files
