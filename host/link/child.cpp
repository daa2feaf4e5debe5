#include "link/child.h"

#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstring>
#include <filesystem>
#include <utility>
#include <vector>

#include "base/text.h"

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
  if (!std::filesystem::exists(fixture, code))
    return failure(
        Error(ErrorCode::not_found, fmt::format("fixture {} is not there", printable(fixture))).advising("check the path after sim:"));
  if (std::filesystem::is_directory(fixture, code))
    return failure(Error(ErrorCode::bad_input_file, fmt::format("fixture {} is a folder", printable(fixture)))
                       .advising("give the fixture file itself, as in sim:fixture.json"));
  std::array<int, 2> sockets{};
  if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, sockets.data()) != 0)
    return failure(ErrorCode::link_open_failed, "making a socket for the simulated board: {}",
                   std::strerror(errno));
  // A file without a name, not a pipe: nobody has to read along for it to go on.
  const int errors = memfd_create("steadycell-simboard", MFD_CLOEXEC);
  if (errors < 0) {
    const int number = errno;
    close(sockets[0]);
    close(sockets[1]);
    return failure(ErrorCode::link_open_failed, "making a file for the simulated board: {}",
                   std::strerror(number));
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
  posix_spawn_file_actions_adddup2(&actions, errors, STDERR_FILENO);
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
  argv.reserve(arguments.size() + 1);
  for (std::string& argument : arguments) argv.push_back(argument.data());
  argv.push_back(nullptr);
  pid_t child = 0;
  const int status = posix_spawnp(&child, program.c_str(), &actions, &attributes, argv.data(), environ);
  posix_spawnattr_destroy(&attributes);
  posix_spawn_file_actions_destroy(&actions);
  close(sockets[1]);
  if (status != 0) {
    close(sockets[0]);
    close(errors);
    return failure(ErrorCode::helper_missing, "starting {}: {}", kProgram, std::strerror(status));
  }
  return SimBoardProcess(child, sockets[0], errors);
}

SimBoardProcess::SimBoardProcess(SimBoardProcess&& other) noexcept
    : child_(std::exchange(other.child_, 0)),
      socket_(std::exchange(other.socket_, -1)),
      errors_(std::exchange(other.errors_, -1)),
      status_(other.status_),
      told_(other.told_) {}

SimBoardProcess::~SimBoardProcess() {
  if (socket_ >= 0) close(socket_);
  if (child_ > 0) {
    kill(child_, SIGTERM);
    // It has nothing to save: half a second is plenty, then it is ended for it.
    if (!reap(500)) {
      kill(child_, SIGKILL);
      waitpid(child_, nullptr, 0);
    }
  }
  if (errors_ < 0) return;
  if (const std::string text = complaints(); !text.empty() && !told_)
    fmt::print(stderr, "{}: {}\n", kProgram, text);
  close(errors_);
}

bool SimBoardProcess::reap(int milliseconds) {
  for (int i = 0; child_ > 0; ++i) {
    if (waitpid(child_, &status_, WNOHANG) != 0) {
      child_ = 0;
    } else if (i >= milliseconds) {
      return false;
    } else {
      usleep(1000);
    }
  }
  return true;
}

int SimBoardProcess::take_socket() {
  return std::exchange(socket_, -1);
}

std::string SimBoardProcess::complaints() {
  std::string text(4096, '\0');
  const ssize_t got = pread(errors_, text.data(), text.size(), 0);
  text.resize(got > 0 ? static_cast<std::size_t>(got) : 0);
  while (text.ends_with('\n')) text.pop_back();
  return printable(text);
}

std::optional<Error> SimBoardProcess::last_words() {
  if (!reap(200)) return std::nullopt;
  std::string text = complaints();
  if (text.empty()) text = fmt::format("{} ended with status {}", kProgram, status_);
  told_ = true;
  // It speaks our own error codes: "e102 fixture.json: ...".
  if (text.size() > 5 && text[0] == 'e' && text[4] == ' ')
    if (const auto number = parse_number(std::string_view(text).substr(1, 3)))
      for (const ErrorCodeFacts& facts : all_error_codes())
        if (static_cast<std::uint64_t>(facts.code) == *number) {
          text.erase(0, 5);
          // The next step stands behind its message, and follows from the code once more here.
          if (const std::string next = fmt::format(": {}", facts.next); text.ends_with(next)) text.erase(text.size() - next.size());
          return Error(facts.code, std::move(text));
        }
  return Error(ErrorCode::link_lost, std::move(text));
}

}  // namespace steadycell::link
