#include <dirent.h>
#include <fcntl.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <sys/sysmacros.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstdlib>
#include <cstring>
#include <fstream>
#include <sstream>
#include <utility>

#include "base/text.h"
#include "files/file_system.h"

namespace steadycell::files {
namespace {

constexpr mode_t kFileMode = 0640, kDirectoryMode = 02770;

ErrorCode code_of(int number) {
  switch (number) {
    case ENOSPC:
    case EDQUOT: return ErrorCode::storage_full;
    case EEXIST:
    case ENOTEMPTY: return ErrorCode::already_exists;
    case ENOENT:
    case ENOTDIR: return ErrorCode::not_found;
    case EACCES:
    case EPERM:
    case EROFS: return ErrorCode::no_permission;
    case ELOOP:
    case ENAMETOOLONG: return ErrorCode::bad_name;
    case ENOMEM: return ErrorCode::no_memory;
    default: return ErrorCode::storage_failed;
  }
}

tl::unexpected<Error> failed(const char* operation, const std::string& path, int number) {
  if (number == ELOOP)
    return failure(Error(ErrorCode::bad_name,
                         fmt::format("{} {}: it is a symbolic link, and those are not followed here", operation, printable(path)))
                       .advising("give the path that the link leads to (readlink -f shows it)"));
  if (number == ENAMETOOLONG)
    return failure(Error(ErrorCode::bad_name, fmt::format("{} {}: {}", operation, printable(path), std::strerror(number)))
                       .advising("give a shorter name: a name has 255 bytes at most, and a path 4095"));
  return failure(code_of(number), "{} {}: {}", operation, printable(path), std::strerror(number));
}

// "steadycell (process 4711)": who holds the lock on the open file, as /proc/locks tells (proc(5)); empty where it does not.
std::string flock_holder(int fd) {
  struct stat facts {};
  if (::fstat(fd, &facts) != 0) return "";
  const std::string file = fmt::format("{:02x}:{:02x}:{}", major(facts.st_dev), minor(facts.st_dev), facts.st_ino);
  std::ifstream locks("/proc/locks");
  for (std::string line; std::getline(locks, line);) {
    // "3: FLOCK  ADVISORY  WRITE 4711 fd:01:1234 0 EOF"; a waiter has "->" behind its number.
    std::istringstream words(line);
    std::string number, kind, advice, mode, place;
    int process = 0;
    if (!(words >> number >> kind >> advice >> mode >> process >> place) || kind != "FLOCK" || place != file || process <= 0) continue;
    std::string program;
    std::ifstream name(fmt::format("/proc/{}/comm", process));
    std::getline(name, program);
    return fmt::format("{} (process {})", program.empty() ? "another program" : printable(program), process);
  }
  return "";
}

class Descriptor {
 public:
  Descriptor() = default;
  explicit Descriptor(int fd) : fd_(fd) {}
  ~Descriptor() {
    if (fd_ >= 0) ::close(fd_);
  }
  Descriptor(Descriptor&& other) noexcept : fd_(std::exchange(other.fd_, -1)) {}
  Descriptor& operator=(Descriptor&& other) noexcept {
    std::swap(fd_, other.fd_);
    return *this;
  }
  int get() const { return fd_; }

 private:
  int fd_ = -1;
};

class PosixFile final : public File {
 public:
  PosixFile(Descriptor fd, std::string path) : fd_(std::move(fd)), path_(std::move(path)) {}

  Result<std::size_t> read_at(std::uint64_t offset, MutableByteSpan out) override {
    std::size_t done = 0;
    while (done < out.size()) {
      const ssize_t got = ::pread(fd_.get(), out.data() + done, out.size() - done, static_cast<off_t>(offset + done));
      if (got < 0 && errno == EINTR) continue;
      if (got < 0) return failed("reading", path_, errno);
      if (got == 0) break;
      done += static_cast<std::size_t>(got);
    }
    return done;
  }

  Result<void> write_at(std::uint64_t offset, ByteSpan bytes) override {
    while (!bytes.empty()) {
      const ssize_t put = ::pwrite(fd_.get(), bytes.data(), bytes.size(), static_cast<off_t>(offset));
      if (put < 0 && errno == EINTR) continue;
      if (put < 0) return failed("writing", path_, errno);
      bytes = bytes.subspan(static_cast<std::size_t>(put));
      offset += static_cast<std::uint64_t>(put);
    }
    return {};
  }

  Result<std::uint64_t> size() override {
    struct stat facts {};
    if (::fstat(fd_.get(), &facts) != 0) return failed("measuring", path_, errno);
    return static_cast<std::uint64_t>(facts.st_size);
  }

  Result<void> truncate(std::uint64_t size) override {
    if (::ftruncate(fd_.get(), static_cast<off_t>(size)) != 0) return failed("cutting", path_, errno);
    return {};
  }

  Result<void> sync() override {
    if (::fdatasync(fd_.get()) != 0) return failed("syncing", path_, errno);
    return {};
  }

  Result<void> reserve(std::uint64_t offset, std::uint64_t bytes) override {
    while (::fallocate(fd_.get(), FALLOC_FL_KEEP_SIZE, static_cast<off_t>(offset), static_cast<off_t>(bytes)) != 0) {
      if (errno == EINTR) continue;
      if (errno == EOPNOTSUPP || errno == ENOSYS) return {};
      return failed("keeping room in", path_, errno);
    }
    return {};
  }

 private:
  Descriptor fd_;
  std::string path_;
};

class PosixLock final : public Lock {
 public:
  explicit PosixLock(Descriptor fd) : fd_(std::move(fd)) {}

 private:
  Descriptor fd_;
};

// Where a path leads: a name in an open folder.
struct Place {
  Descriptor folder;  // none: the path is used as given
  std::string name;
  int at() const { return folder.get() < 0 ? AT_FDCWD : folder.get(); }
};

class Posix : public FileSystem {
 public:
  Result<std::unique_ptr<File>> open_read(const std::string& path) override { return open(path, O_RDONLY, "opening"); }
  Result<std::unique_ptr<File>> open_write(const std::string& path) override { return open(path, O_RDWR, "opening"); }
  Result<std::unique_ptr<File>> create(const std::string& path) override { return open(path, O_RDWR | O_CREAT | O_EXCL, "creating"); }

  Result<bool> exists(const std::string& path) override {
    const auto place = find(path);
    if (!place && place.error().code() == ErrorCode::not_found) return false;
    if (!place) return failure(place.error());
    struct stat facts {};
    if (::fstatat(place->at(), place->name.c_str(), &facts, AT_SYMLINK_NOFOLLOW) == 0) return true;
    if (errno == ENOENT || errno == ENOTDIR) return false;
    return failed("looking for", path, errno);
  }

  Result<void> make_directory(const std::string& path) override {
    const auto place = find(path);
    if (!place) return failure(place.error());
    if (::mkdirat(place->at(), place->name.c_str(), kDirectoryMode) != 0) return failed("making folder", path, errno);
    // mkdir drops the set-group bit, and the usual umask the group's write bit. A umask that keeps the group out is obeyed.
    const Descriptor made(::openat(place->at(), place->name.c_str(), O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC));
    struct stat facts {};
    if (made.get() >= 0 && ::fstat(made.get(), &facts) == 0 && (facts.st_mode & 0070) != 0) ::fchmod(made.get(), kDirectoryMode);
    return {};
  }

  Result<std::string> real_path(const std::string& directory) override {
    const std::unique_ptr<char, decltype(&std::free)> real(::realpath(directory.c_str(), nullptr), &std::free);
    if (!real) return failed("looking for", directory, errno);
    return std::string(real.get());
  }

  Result<std::vector<std::string>> list(const std::string& directory) override {
    auto fd = open_folder(directory, "listing");
    if (!fd) return failure(fd.error());
    const int copy = ::dup(fd->get());  // closedir closes its own
    DIR* const stream = copy < 0 ? nullptr : ::fdopendir(copy);
    if (!stream) {
      const int number = errno;
      if (copy >= 0) ::close(copy);
      return failed("listing", directory, number);
    }
    std::vector<std::string> names;
    errno = 0;
    while (const dirent* entry = ::readdir(stream))
      if (std::strcmp(entry->d_name, ".") != 0 && std::strcmp(entry->d_name, "..") != 0) names.emplace_back(entry->d_name);
    const int number = errno;
    ::closedir(stream);
    if (number != 0) return failed("listing", directory, number);
    std::sort(names.begin(), names.end());
    return names;
  }

  Result<void> remove_file(const std::string& path) override { return unlink(path, 0, "removing"); }
  Result<void> remove_directory(const std::string& path) override { return unlink(path, AT_REMOVEDIR, "removing folder"); }

  Result<void> rename(const std::string& from, const std::string& to) override {
    const auto source = find(from), target = find(to);
    if (!source) return failure(source.error());
    if (!target) return failure(target.error());
    const char *const old_name = source->name.c_str(), *const new_name = target->name.c_str();
    if (::renameat2(source->at(), old_name, target->at(), new_name, RENAME_NOREPLACE) == 0) return {};
    if (errno != EINVAL && errno != ENOSYS) return failed("renaming to", to, errno);
    // A file system without that flag. A hard link never replaces either; where there are none, or for a folder, look and
    // rename are two steps, the best it offers.
    if (::linkat(source->at(), old_name, target->at(), new_name, 0) == 0) return remove_file(from);
    if (errno == EEXIST) return failed("renaming to", to, errno);
    const auto there = exists(to);
    if (!there) return failure(there.error());
    if (*there) return failed("renaming to", to, EEXIST);
    if (::renameat(source->at(), old_name, target->at(), new_name) != 0) return failed("renaming to", to, errno);
    return {};
  }

  Result<void> sync_directory(const std::string& path) override {
    const auto fd = open_folder(path, "opening folder");
    if (!fd) return failure(fd.error());
    if (::fsync(fd->get()) != 0 && errno != EINVAL) return failed("syncing folder", path, errno);
    return {};
  }

  bool syncs_directories(const std::string& path) override {
    const auto fd = open_folder(path, "opening folder");
    return fd && ::fsync(fd->get()) == 0;
  }

  Result<std::uint64_t> free_bytes(const std::string& directory) override {
    const auto fd = open_folder(directory, "measuring free space of");
    if (!fd) return failure(fd.error());
    struct statvfs facts {};
    if (::fstatvfs(fd->get(), &facts) != 0) return failed("measuring free space of", directory, errno);
    return std::uint64_t{facts.f_bavail} * facts.f_frsize;
  }

  Result<std::unique_ptr<Lock>> lock(const std::string& path) override {
    const auto place = find(path);
    if (!place) return failure(place.error());
    int fd = ::openat(place->at(), place->name.c_str(), O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, kFileMode);
    if (fd < 0 && errno == EISDIR)
      fd = ::openat(place->at(), place->name.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC | O_NOFOLLOW);
    if (fd < 0) return failed("locking", path, errno);
    Descriptor held(fd);
    if (::flock(fd, LOCK_EX | LOCK_NB) != 0) {
      if (errno != EWOULDBLOCK) return failed("locking", path, errno);
      const std::string holder = flock_holder(held.get());
      return failure(ErrorCode::in_use, "{} is in use by {}", printable(path), holder.empty() ? "another program" : holder);
    }
    // Removed between opening and locking: what is locked is no longer what the path names.
    struct stat locked {}, named {};
    if (::fstat(fd, &locked) != 0 || ::fstatat(place->at(), place->name.c_str(), &named, AT_SYMLINK_NOFOLLOW) != 0 ||
        locked.st_ino != named.st_ino || locked.st_dev != named.st_dev)
      return failure(ErrorCode::not_found, "locking {}: it was removed meanwhile", printable(path));
    return std::make_unique<PosixLock>(std::move(held));
  }

 protected:
  virtual Result<Place> find(const std::string& path) const { return Place{{}, path}; }
  // Last component of a folder's path: links are followed where the person's own paths are, not below a root.
  virtual int folder_flags() const { return 0; }

 private:
  Result<std::unique_ptr<File>> open(const std::string& path, int flags, const char* operation) {
    const auto place = find(path);
    if (!place) return failure(place.error());
    // O_NONBLOCK: a pipe put in a file's place must not hang us; on files it means nothing.
    Descriptor fd(::openat(place->at(), place->name.c_str(), flags | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK, kFileMode));
    if (fd.get() < 0) return failed(operation, path, errno);
    struct stat facts {};
    if (::fstat(fd.get(), &facts) != 0) return failed(operation, path, errno);
    if (!S_ISREG(facts.st_mode)) return failure(ErrorCode::bad_input_file, "{} {}: it is no plain file", operation, printable(path));
    return std::make_unique<PosixFile>(std::move(fd), path);
  }

  Result<Descriptor> open_folder(const std::string& path, const char* operation) {
    const auto place = find(path);
    if (!place) return failure(place.error());
    Descriptor fd(::openat(place->at(), place->name.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC | folder_flags()));
    if (fd.get() < 0) return failed(operation, path, errno);
    return fd;
  }

  Result<void> unlink(const std::string& path, int flags, const char* operation) {
    const auto place = find(path);
    if (!place) return failure(place.error());
    if (::unlinkat(place->at(), place->name.c_str(), flags) != 0) return failed(operation, path, errno);
    return {};
  }
};

// Walks from the root's handle, folder by folder. No part can be ".." or absolute, and links end the walk, so it cannot
// leave the root, whatever others do to the tree meanwhile.
class Beneath final : public Posix {
 public:
  explicit Beneath(Descriptor root) : root_(std::move(root)) {}
  Result<std::string> real_path(const std::string& directory) override { return directory; }  // what is around the root is not ours

 protected:
  Result<Place> find(const std::string& path) const override {
    Place place{Descriptor(::fcntl(root_.get(), F_DUPFD_CLOEXEC, 0)), path};
    if (place.folder.get() < 0) return failed("opening", path, errno);
    if (path == ".") return place;
    for (std::size_t slash; (slash = place.name.find('/')) != std::string::npos;) {
      const std::string part = place.name.substr(0, slash);
      if (!safe_name(part)) return refused(part);
      place.folder = Descriptor(::openat(place.at(), part.c_str(), O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC));
      if (place.folder.get() < 0) return failed("opening folder", path, errno);
      place.name.erase(0, slash + 1);
    }
    if (!safe_name(place.name)) return refused(place.name);
    return place;
  }
  int folder_flags() const override { return O_NOFOLLOW; }

 private:
  static tl::unexpected<Error> refused(const std::string& part) {
    return failure(ErrorCode::bad_name, "\"{}\" is no name for a file or folder here", printable(part));
  }

  Descriptor root_;
};

}  // namespace

FileSystem& posix() {
  static Posix instance;
  return instance;
}

Result<std::unique_ptr<FileSystem>> beneath(const std::string& root) {
  Descriptor fd(::open(root.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC));
  if (fd.get() < 0) return failed("opening folder", root, errno);
  return std::make_unique<Beneath>(std::move(fd));
}

}  // namespace steadycell::files
