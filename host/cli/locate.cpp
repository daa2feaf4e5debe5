#include "cli/locate.h"

#include <fcntl.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstring>

namespace steadycell::cli {

Result<std::filesystem::path> find_shared(std::string_view name) {
  std::error_code code;
  const auto self = std::filesystem::read_symlink("/proc/self/exe", code);
  if (code) return failure(ErrorCode::internal, "finding the running program: {}", code.message());
  const auto wanted = self.parent_path().parent_path() / "share" / "steadycell" / name;
  if (!std::filesystem::exists(wanted, code))
    return failure(Error(ErrorCode::helper_missing, fmt::format("{} is not part of this installation", wanted.string()))
                       .advising("install steadycell with its share folder, or run it from the build folder"));
  return wanted;
}

Result<Outcome> run_program(const std::vector<std::string>& arguments) {
  std::array<int, 2> pipe_ends{};
  if (pipe2(pipe_ends.data(), O_CLOEXEC) != 0)
    return failure(ErrorCode::internal, "making a pipe for {}: {}", arguments[0], std::strerror(errno));
  posix_spawn_file_actions_t actions;
  posix_spawn_file_actions_init(&actions);
  posix_spawn_file_actions_adddup2(&actions, pipe_ends[1], STDOUT_FILENO);
  std::vector<char*> argv;
  argv.reserve(arguments.size() + 1);
  for (const std::string& argument : arguments) argv.push_back(const_cast<char*>(argument.c_str()));
  argv.push_back(nullptr);
  pid_t child = 0;
  const int status = posix_spawnp(&child, argv[0], &actions, nullptr, argv.data(), environ);
  posix_spawn_file_actions_destroy(&actions);
  close(pipe_ends[1]);
  if (status != 0) {
    close(pipe_ends[0]);
    return failure(ErrorCode::helper_missing, "starting {}: {}", arguments[0], std::strerror(status));
  }

  Outcome outcome;
  std::array<char, 4096> buffer{};
  for (;;) {
    const ssize_t got = read(pipe_ends[0], buffer.data(), buffer.size());
    if (got < 0 && errno == EINTR) continue;
    if (got <= 0) break;
    outcome.out.append(buffer.data(), static_cast<std::size_t>(got));
  }
  close(pipe_ends[0]);
  int ended = 0;
  while (waitpid(child, &ended, 0) < 0 && errno == EINTR) {
  }
  outcome.exit_code = WIFEXITED(ended) ? WEXITSTATUS(ended) : 128 + WTERMSIG(ended);
  return outcome;
}

}  // namespace steadycell::cli
