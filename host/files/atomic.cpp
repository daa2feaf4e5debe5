#include "files/atomic.h"

#include <algorithm>
#include <cassert>

#include "base/text.h"
#include "files/folder_kind.h"

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
    return failure(
        Error(ErrorCode::bad_input_file, fmt::format("{} has {} bytes, more than such a file may have ({})", path, *size, limit)));
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

// What such a folder holds is fixed: whoever copies, compares or deletes it does so as a whole. Folders further up that may not be
// looked into are in nobody's way.
Result<void> outside_of_captures_and_images(FileSystem& system, const std::string& path, const std::string& parent) {
  std::string folder = system.real_path(parent).value_or(parent);
  for (std::string below; folder != below; folder = parent_of(below)) {
    const auto names = system.list(folder);
    if (const auto kind = names ? folder_kind(*names) : std::nullopt) {
      const std::string_view name = *kind == FolderKind::capture ? "a capture" : "an image";
      return failure(Error(ErrorCode::wrong_usage, fmt::format("{} would lie inside {}, {}", printable(path), name, printable(folder)))
                         .keeping("nothing was made")
                         .advising(fmt::format("give a name outside of the folder of {}", name)));
    }
    below = std::move(folder);
  }
  return {};
}

}  // namespace

Result<void> check_free(FileSystem& system, const std::string& path) {
  if (path.empty())
    return failure(Error(ErrorCode::wrong_usage, "an empty name was given for what is to be made").advising("give it a name"));
  const auto there = system.exists(path);
  if (!there) return failure(there.error());
  if (*there) return failure(ErrorCode::already_exists, "{} exists", printable(path));
  const std::string parent = parent_of(path);
  const auto place = system.list(parent);  // a file in its place is no folder either
  if (!place && place.error().code() != ErrorCode::not_found) return failure(place.error());
  if (!place)
    return failure(Error(ErrorCode::not_found, fmt::format("there is no folder {} to make {} in", printable(parent), printable(path)))
                       .advising("make that folder first, or give another name"));
  return outside_of_captures_and_images(system, path, parent);
}

namespace {

constexpr int kMostPartials = 1000;

std::string last_part(const std::string& path) { return path.substr(path.find_last_of('/') + 1); }

void remove_folder(FileSystem& system, const std::string& path) {
  if (const auto names = system.list(path))
    for (const std::string& name : *names) (void)system.remove_file(join(path, name));
  (void)system.remove_directory(path);
}

// What killed processes left under names that never were final. Whoever makes one holds its lock for life; what cannot be
// locked or removed stays, which is harmless.
template <typename Remove>
Result<void> remove_leftovers(FileSystem& system, const std::string& path, Remove remove) {
  const auto names = system.list(parent_of(path));
  if (!names) return failure(names.error());
  const std::string prefix = last_part(path) + ".partial-";
  for (const std::string& name : *names) {
    if (!name.starts_with(prefix)) continue;
    const std::string leftover = join(parent_of(path), name);
    if (const auto lock = system.lock(leftover)) remove(leftover);
  }
  return {};
}

struct Partial {
  std::string path;
  std::unique_ptr<Lock> lock;
};

// The first free NAME.partial-N, made and locked. Between making and locking, another process may take it for a leftover:
// then the lock fails, and the next name is tried.
template <typename Make>
Result<Partial> make_partial(FileSystem& system, const std::string& path, Make make) {
  for (int n = 1; n <= kMostPartials; ++n) {
    std::string partial = fmt::format("{}.partial-{}", path, n);
    const auto made = make(partial);
    if (!made && made.error().code() == ErrorCode::already_exists) continue;
    if (!made) return failure(made.error());
    auto lock = system.lock(partial);
    if (lock) return Partial{std::move(partial), std::move(*lock)};
    if (lock.error().code() == ErrorCode::in_use || lock.error().code() == ErrorCode::not_found) continue;
    // A file system without locks: then nobody else can lock it either, and nobody removes it.
    return Partial{std::move(partial), nullptr};
  }
  return failure(ErrorCode::already_exists, "{}.partial-1 to -{} exist", path, kMostPartials);
}

}  // namespace

Result<AtomicFile> AtomicFile::create(FileSystem& system, std::string path) {
  if (const auto fresh = check_free(system, path); !fresh) return failure(fresh.error());
  AtomicFile atomic(system, std::move(path));
  if (const auto cleared = remove_leftovers(system, atomic.path_, [&](const std::string& leftover) { (void)system.remove_file(leftover); });
      !cleared)
    return failure(cleared.error());
  auto partial = make_partial(system, atomic.path_, [&](const std::string& name) -> Result<void> {
    auto file = system.create(name);
    if (!file) return failure(file.error());
    atomic.file_ = std::move(*file);
    return {};
  });
  if (!partial) return failure(partial.error());
  atomic.partial_ = std::move(partial->path);
  atomic.lock_ = std::move(partial->lock);
  return atomic;
}

AtomicFile::AtomicFile(AtomicFile&& other) noexcept
    : system_(other.system_), path_(std::move(other.path_)), partial_(std::move(other.partial_)), lock_(std::move(other.lock_)),
      file_(std::move(other.file_)), size_(other.size_) {
  other.partial_.clear();
}

AtomicFile::~AtomicFile() {
  if (!file_ || partial_.empty()) return;
  file_.reset();
  (void)system_->remove_file(partial_);  // at worst it stays, under a name that is never read
}

Result<void> AtomicFile::append(ByteSpan bytes) {
  assert(file_ && "append after commit");
  auto written = file_->write_at(size_, bytes);
  if (written) size_ += bytes.size();
  return written;
}

Result<void> AtomicFile::commit() {
  assert(file_ && "commit twice");
  if (auto synced = file_->sync(); !synced) return synced;
  if (auto renamed = system_->rename(partial_, path_); !renamed) return renamed;
  auto durable = system_->sync_directory(parent_of(path_));
  // What a failure is told of must not stand there as if it were done. Where even that fails, the disk is gone.
  if (!durable && system_->rename(path_, partial_)) return durable;
  file_.reset();
  lock_.reset();
  return durable;
}

Result<void> write_whole(FileSystem& system, const std::string& path, ByteSpan bytes) {
  auto file = AtomicFile::create(system, path);
  if (!file) return failure(file.error());
  if (auto appended = file->append(bytes); !appended) return appended;
  return file->commit();
}

Result<AtomicFolder> AtomicFolder::create(FileSystem& system, std::string path) {
  while (path.size() > 1 && path.ends_with('/')) path.pop_back();
  if (const auto fresh = check_free(system, path); !fresh) return failure(fresh.error());
  if (const auto cleared = remove_leftovers(system, path, [&](const std::string& leftover) { remove_folder(system, leftover); }); !cleared)
    return failure(cleared.error());
  AtomicFolder atomic(system, std::move(path));
  auto partial = make_partial(system, atomic.path_, [&](const std::string& name) { return system.make_directory(name); });
  if (!partial) {
    atomic.system_ = nullptr;
    return failure(partial.error());
  }
  atomic.partial_ = std::move(partial->path);
  atomic.lock_ = std::move(partial->lock);
  return atomic;
}

AtomicFolder::AtomicFolder(AtomicFolder&& other) noexcept
    : system_(other.system_), path_(std::move(other.path_)), partial_(std::move(other.partial_)), lock_(std::move(other.lock_)),
      names_(std::move(other.names_)) {
  other.system_ = nullptr;
}

AtomicFolder::~AtomicFolder() {
  if (!system_ || partial_.empty()) return;
  for (const std::string& name : names_) (void)system_->remove_file(join(partial_, name));
  (void)system_->remove_directory(partial_);
}

Result<std::unique_ptr<File>> AtomicFolder::create_file(const std::string& name) {
  if (!safe_name(name)) return failure(ErrorCode::bad_name, "\"{}\" is no name for a file here", printable(name));
  auto file = system_->create(join(partial_, name));
  if (file) names_.push_back(name);
  return file;
}

Result<void> AtomicFolder::commit() {
  assert(system_ && "commit twice");
  if (auto synced = system_->sync_directory(partial_); !synced) return synced;
  if (auto renamed = system_->rename(partial_, path_); !renamed) return renamed;
  auto durable = system_->sync_directory(parent_of(path_));
  if (!durable && system_->rename(path_, partial_)) return durable;  // as in AtomicFile
  system_ = nullptr;
  lock_.reset();
  return durable;
}

}  // namespace steadycell::files
