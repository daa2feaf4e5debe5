#include "link/child.h"

#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstring>
#include <filesystem>
#include <utility>
#include <vector>

extern char** environ;

namespace steadycell::link {
namespace {

constexpr const char* kProgram = "steadycell-simboard";
constexpr int kSocketBytes = 4 << 20;

// Beside the running program first, so that a build or an installation uses its own; else PATH.
std::string find_program() {
  std::error_code code;
  const auto self = std::filesystem::read_symlink("/proc/self/exe", code);
  if (!code) {
    const auto beside = self.parent_path() / kProgram;
    if (std::filesystem::exists(beside, code)) return beside.string();
  }
  return kProgram;
}

}  // namespace

Result<SimBoardProcess> SimBoardProcess::start(const std::string& fixture) {
  std::error_code code;
  if (!std::filesystem::exists(fixture, code)) return failure(ErrorCode::not_found, "fixture {} is not there", fixture);
  std::array<int, 2> sockets{}, errors{};
  if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, sockets.data()) != 0)
    return failure(ErrorCode::link_open_failed, "making a socket for the simulated board: {}", std::strerror(errno));
  if (pipe2(errors.data(), O_CLOEXEC) != 0) {
    const int number = errno;
    close(sockets[0]);
    close(sockets[1]);
    return failure(ErrorCode::link_open_failed, "making a pipe for the simulated board: {}", std::strerror(number));
  }
  for (const int fd : sockets) {
    setsockopt(fd, SOL_SOCKET, SO_SNDBUF, &kSocketBytes, sizeof kSocketBytes);
    setsockopt(fd, SOL_SOCKET, SO_RCVBUF, &kSocketBytes, sizeof kSocketBytes);
  }
  constexpr int kChildSocket = 3;
  posix_spawn_file_actions_t actions;
  posix_spawn_file_actions_init(&actions);
  posix_spawn_file_actions_addopen(&actions, STDIN_FILENO, "/dev/null", O_RDONLY, 0);
  posix_spawn_file_actions_addopen(&actions, STDOUT_FILENO, "/dev/null", O_WRONLY, 0);
  posix_spawn_file_actions_adddup2(&actions, errors[1], STDERR_FILENO);
  posix_spawn_file_actions_adddup2(&actions, sockets[1], kChildSocket);
  posix_spawnattr_t attributes;
  posix_spawnattr_init(&attributes);
  sigset_t none;
  sigemptyset(&none);
  posix_spawnattr_setsigmask(&attributes, &none);
  // A group of its own: Ctrl-C at the terminal stops us, and we stop the board when the job has powered down.
  posix_spawnattr_setpgroup(&attributes, 0);
  posix_spawnattr_setflags(&attributes, POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETPGROUP);

  const std::string program = find_program();
  std::vector<std::string> arguments{program, fixture, "--listen", fmt::format("fd:{}", kChildSocket)};
  std::vector<char*> argv;
  for (std::string& argument : arguments) argv.push_back(argument.data());
  argv.push_back(nullptr);
  pid_t child = 0;
  const int status = posix_spawnp(&child, program.c_str(), &actions, &attributes, argv.data(), environ);
  posix_spawnattr_destroy(&attributes);
  posix_spawn_file_actions_destroy(&actions);
  close(sockets[1]);
  close(errors[1]);
  if (status != 0) {
    close(sockets[0]);
    close(errors[0]);
    return failure(ErrorCode::helper_missing, "starting {}: {}", kProgram, std::strerror(status));
  }
  return SimBoardProcess(child, sockets[0], errors[0]);
}

SimBoardProcess::SimBoardProcess(SimBoardProcess&& other) noexcept
    : child_(std::exchange(other.child_, 0)), socket_(std::exchange(other.socket_, -1)), errors_(std::exchange(other.errors_, -1)) {}

SimBoardProcess::~SimBoardProcess() {
  if (socket_ >= 0) close(socket_);
  if (child_ > 0) {
    kill(child_, SIGTERM);
    // It has nothing to save: half a second is plenty, then it is ended for it.
    for (int i = 0; i < 50 && waitpid(child_, nullptr, WNOHANG) == 0; ++i) usleep(10'000);
    if (kill(child_, 0) == 0) {
      kill(child_, SIGKILL);
      waitpid(child_, nullptr, 0);
    }
  }
  if (errors_ >= 0) close(errors_);
}

int SimBoardProcess::take_socket() { return std::exchange(socket_, -1); }

std::string SimBoardProcess::complaints() {
  std::string text;
  std::array<char, 1024> buffer{};
  pollfd waiting{errors_, POLLIN, 0};
  while (text.size() < 4096 && poll(&waiting, 1, 200) > 0) {
    const ssize_t got = read(errors_, buffer.data(), buffer.size());
    if (got <= 0) break;
    text.append(buffer.data(), static_cast<std::size_t>(got));
  }
  while (text.ends_with('\n')) text.pop_back();
  return text;
}

bool SimBoardProcess::ended() {
  if (child_ <= 0) return true;
  if (waitpid(child_, nullptr, WNOHANG) == 0) return false;
  child_ = 0;
  return true;
}

}  // namespace steadycell::link
