#include "service/runtime.h"

#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstdlib>
#include <cstring>

#include "base/text.h"

namespace steadycell::service {
namespace {

bool is_folder_of_ours(const std::string& path) {
  struct stat facts {};
  return ::stat(path.c_str(), &facts) == 0 && S_ISDIR(facts.st_mode) && facts.st_uid == ::geteuid();
}

}  // namespace

std::string runtime_path() {
  const char* given = std::getenv("XDG_RUNTIME_DIR");
  if (given != nullptr && given[0] == '/') return std::string(given) + "/steadycell";
  const std::string login = fmt::format("/run/user/{}", ::geteuid());
  if (is_folder_of_ours(login)) return login + "/steadycell";
  return fmt::format("/tmp/steadycell-{}", ::geteuid());
}

Result<std::string> runtime_folder() {
  const std::string path = runtime_path();
  const auto refuse = [&](const std::string& why, const std::string& next) {
    return failure(Error(ErrorCode::no_permission, fmt::format("the runtime folder {} {}", printable(path), why)).advising(next));
  };
  if (::mkdir(path.c_str(), 0700) != 0 && errno != EEXIST)
    return refuse(fmt::format("cannot be made: {}", std::strerror(errno)), "set XDG_RUNTIME_DIR to a folder that you alone may enter");
  struct stat facts {};
  if (::lstat(path.c_str(), &facts) != 0) return refuse(std::strerror(errno), "set XDG_RUNTIME_DIR to a folder that you alone may enter");
  if (S_ISLNK(facts.st_mode)) return refuse("is a symbolic link", "remove the link: a folder is made in its place");
  if (!S_ISDIR(facts.st_mode)) return refuse("is no folder", "move it away");
  if (facts.st_uid != ::geteuid()) return refuse("belongs to somebody else", "remove it, or set XDG_RUNTIME_DIR to a folder of yours");
  if ((facts.st_mode & 077) != 0) return refuse("lets others in", fmt::format("chmod 0700 {}", printable(path)));
  return path;
}

std::string socket_path(const std::string& runtime) { return runtime + "/steadycelld.socket"; }

}  // namespace steadycell::service
