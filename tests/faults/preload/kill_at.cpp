// Preloaded into steadycell by a test: kills the process (SIGKILL) in front of its n-th change to the disk, or in the middle
// of a write when so many bytes have been written. Counted are the calls by which host/files changes anything.
//
//   KILL_AT_CALL=n   in front of the n-th call, from 1
//   KILL_AT_BYTE=n   behind the n-th byte, from 1
//   KILL_COUNT=file  where a process that lives to its end leaves "calls bytes"
#include <dlfcn.h>
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <csignal>
#include <cstdarg>
#include <cstdio>
#include <cstdlib>
#include <mutex>
#include <string_view>

namespace {

std::mutex counting;
unsigned long calls = 0, bytes = 0;

unsigned long number(const char* name) {
  const char* const text = std::getenv(name);
  return text == nullptr ? 0 : std::strtoul(text, nullptr, 10);
}
// Not in the simulated board, which steadycell starts.
bool armed() {
  static const bool is = std::string_view(program_invocation_short_name) == "steadycell";
  return is;
}

void count() {
  static const unsigned long last = number("KILL_AT_CALL");
  if (!armed()) return;
  const std::lock_guard lock(counting);
  if (++calls == last) (void)std::raise(SIGKILL);
}

template <typename Call>
Call* real(const char* name, Call* /*same type as*/) {
  return reinterpret_cast<Call*>(::dlsym(RTLD_NEXT, name));
}

__attribute__((destructor)) void tell() {
  const char* const path = std::getenv("KILL_COUNT");
  std::FILE* const file = armed() && path != nullptr ? std::fopen(path, "w") : nullptr;
  if (file == nullptr) return;
  std::fprintf(file, "%lu %lu\n", calls, bytes);
  (void)std::fclose(file);
}

}  // namespace

extern "C" {

ssize_t pwrite(int fd, const void* from, size_t size, off_t offset) {
  static const unsigned long last = number("KILL_AT_BYTE");
  const auto call = real("pwrite", &pwrite);
  count();
  if (armed()) {
    const std::lock_guard lock(counting);
    if (last > bytes && last <= bytes + size && call(fd, from, last - bytes, offset) >= 0) (void)std::raise(SIGKILL);
    bytes += size;
  }
  return call(fd, from, size, offset);
}

int fdatasync(int fd) { return count(), real("fdatasync", &fdatasync)(fd); }
int fsync(int fd) { return count(), real("fsync", &fsync)(fd); }
int ftruncate(int fd, off_t size) noexcept { return count(), real("ftruncate", &ftruncate)(fd, size); }
int fallocate(int fd, int mode, off_t at, off_t size) { return count(), real("fallocate", &fallocate)(fd, mode, at, size); }
int mkdirat(int at, const char* path, mode_t mode) noexcept { return count(), real("mkdirat", &mkdirat)(at, path, mode); }
int unlinkat(int at, const char* path, int flags) noexcept { return count(), real("unlinkat", &unlinkat)(at, path, flags); }
int linkat(int a, const char* from, int b, const char* to, int flags) noexcept {
  return count(), real("linkat", &linkat)(a, from, b, to, flags);
}
int renameat(int a, const char* from, int b, const char* to) noexcept { return count(), real("renameat", &renameat)(a, from, b, to); }
int renameat2(int a, const char* from, int b, const char* to, unsigned flags) noexcept {
  return count(), real("renameat2", &renameat2)(a, from, b, to, flags);
}

int openat(int at, const char* path, int flags, ...) {
  mode_t mode = 0;
  if ((flags & O_CREAT) != 0) {
    std::va_list rest;
    va_start(rest, flags);
    mode = va_arg(rest, mode_t);
    va_end(rest);
    count();
  }
  return real("openat", &openat)(at, path, flags, mode);
}

}  // extern "C"
