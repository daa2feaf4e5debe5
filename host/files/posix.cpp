#include <dirent.h>
#include <fcntl.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>

#include "files/file_system.h"

namespace steadycell::files {
namespace {

constexpr mode_t kFileMode = 0640, kDirectoryMode = 02770;

tl::unexpected<Error> failed(const char* operation, const std::string& path, int number) {
  const ErrorCode code = number == ENOSPC || number == EDQUOT ? ErrorCode::storage_full
                         : number == EEXIST || number == ENOTEMPTY ? ErrorCode::already_exists
                         : number == ENOENT || number == ENOTDIR ? ErrorCode::not_found
                                                                 : ErrorCode::storage_failed;
  return failure(code, "{} {}: {}", operation, path, std::strerror(number));
}

class Descriptor {
 public:
  explicit Descriptor(int fd) : fd_(fd) {}
  ~Descriptor() {
    if (fd_ >= 0) ::close(fd_);
  }
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;
  int get() const { return fd_; }

 private:
  int fd_;
};

class PosixFile final : public File {
 public:
  PosixFile(int fd, std::string path) : fd_(fd), path_(std::move(path)) {}

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

 private:
  Descriptor fd_;
  std::string path_;
};

class PosixLock final : public Lock {
 public:
  explicit PosixLock(int fd) : fd_(fd) {}

 private:
  Descriptor fd_;
};

class Posix final : public FileSystem {
 public:
  Result<std::unique_ptr<File>> open_read(const std::string& path) override { return open(path, O_RDONLY, "opening"); }
  Result<std::unique_ptr<File>> open_write(const std::string& path) override { return open(path, O_RDWR, "opening"); }
  Result<std::unique_ptr<File>> create(const std::string& path) override { return open(path, O_RDWR | O_CREAT | O_EXCL, "creating"); }

  Result<bool> exists(const std::string& path) override {
    struct stat facts {};
    if (::lstat(path.c_str(), &facts) == 0) return true;
    if (errno == ENOENT || errno == ENOTDIR) return false;
    return failed("looking for", path, errno);
  }

  Result<void> make_directory(const std::string& path) override {
    if (::mkdir(path.c_str(), kDirectoryMode) != 0) return failed("making folder", path, errno);
    ::chmod(path.c_str(), kDirectoryMode);  // mkdir drops the set-group bit; refused is no harm
    return {};
  }

  Result<std::vector<std::string>> list(const std::string& directory) override {
    DIR* const open_directory = ::opendir(directory.c_str());
    if (!open_directory) return failed("listing", directory, errno);
    std::vector<std::string> names;
    errno = 0;
    while (const dirent* entry = ::readdir(open_directory))
      if (std::strcmp(entry->d_name, ".") != 0 && std::strcmp(entry->d_name, "..") != 0) names.emplace_back(entry->d_name);
    const int number = errno;
    ::closedir(open_directory);
    if (number != 0) return failed("listing", directory, number);
    std::sort(names.begin(), names.end());
    return names;
  }

  Result<void> remove_file(const std::string& path) override {
    if (::unlink(path.c_str()) != 0) return failed("removing", path, errno);
    return {};
  }

  Result<void> remove_directory(const std::string& path) override {
    if (::rmdir(path.c_str()) != 0) return failed("removing folder", path, errno);
    return {};
  }

  Result<void> rename(const std::string& from, const std::string& to) override {
    if (::renameat2(AT_FDCWD, from.c_str(), AT_FDCWD, to.c_str(), RENAME_NOREPLACE) == 0) return {};
    if (errno != EINVAL && errno != ENOSYS) return failed("renaming to", to, errno);
    // A file system without that flag: the check and the rename are two steps there, the best it offers.
    const auto there = exists(to);
    if (!there) return failure(there.error());
    if (*there) return failed("renaming to", to, EEXIST);
    if (::rename(from.c_str(), to.c_str()) != 0) return failed("renaming to", to, errno);
    return {};
  }

  Result<void> sync_directory(const std::string& path) override {
    const Descriptor fd(::open(path.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC));
    if (fd.get() < 0) return failed("opening folder", path, errno);
    if (::fsync(fd.get()) != 0 && errno != EINVAL) return failed("syncing folder", path, errno);
    return {};
  }

  Result<std::uint64_t> free_bytes(const std::string& directory) override {
    struct statvfs facts {};
    if (::statvfs(directory.c_str(), &facts) != 0) return failed("measuring free space of", directory, errno);
    return std::uint64_t{facts.f_bavail} * facts.f_frsize;
  }

  Result<std::unique_ptr<Lock>> lock(const std::string& path) override {
    const int fd = ::open(path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, kFileMode);
    if (fd < 0) return failed("locking", path, errno);
    if (::flock(fd, LOCK_EX | LOCK_NB) != 0) {
      const int number = errno;
      ::close(fd);
      if (number != EWOULDBLOCK) return failed("locking", path, number);
      return failure(Error(ErrorCode::board_busy, fmt::format("{} is in use by another program", path)).advising("wait for it, or stop it"));
    }
    return std::make_unique<PosixLock>(fd);
  }

 private:
  static Result<std::unique_ptr<File>> open(const std::string& path, int flags, const char* operation) {
    const int fd = ::open(path.c_str(), flags | O_CLOEXEC | O_NOFOLLOW, kFileMode);
    if (fd < 0) return failed(operation, path, errno);
    return std::make_unique<PosixFile>(fd, path);
  }
};

}  // namespace

FileSystem& posix() {
  static Posix instance;
  return instance;
}

}  // namespace steadycell::files
