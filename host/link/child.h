#pragma once
#include <sys/types.h>

#include <string>

#include "base/result.h"

namespace steadycell::link {

// A simulated board in a process of its own, at the far end of a socketpair. Ended and reaped by the destructor.
class SimBoardProcess {
 public:
  static Result<SimBoardProcess> start(const std::string& fixture);
  SimBoardProcess(SimBoardProcess&& other) noexcept;
  SimBoardProcess& operator=(SimBoardProcess&&) = delete;
  ~SimBoardProcess();

  // The host's end; whoever takes it closes it.
  int take_socket();
  // What it said on standard error so far; for the message when it refuses to start.
  std::string complaints();
  // True once it has ended by itself.
  bool ended();

 private:
  SimBoardProcess(pid_t child, int socket, int errors) : child_(child), socket_(socket), errors_(errors) {}

  pid_t child_;
  int socket_, errors_;
};

}  // namespace steadycell::link
