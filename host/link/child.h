#pragma once
#include <sys/types.h>

#include <optional>
#include <string>

#include "base/result.h"

namespace steadycell::link {

// A simulated board in a process of its own, at the far end of a socketpair. Ended and reaped by the destructor,
// which also passes on what it said on standard error (a host that breaks a rule of the chip must not stay
// unnoticed).
class SimBoardProcess {
 public:
  static Result<SimBoardProcess> start(const std::string& fixture);
  SimBoardProcess(SimBoardProcess&& other) noexcept;
  SimBoardProcess& operator=(SimBoardProcess&&) = delete;
  ~SimBoardProcess();

  // The host's end; whoever takes it closes it.
  int take_socket();
  // Why it ended by itself, from its standard error and exit status; nothing while it lives. Waits a moment for
  // one that is just ending.
  std::optional<Error> last_words();

 private:
  SimBoardProcess(pid_t child, int socket, int errors) : child_(child), socket_(socket), errors_(errors) {}
  bool reap(int milliseconds);  // true once it has ended
  std::string complaints();

  pid_t child_;  // 0 once reaped
  int socket_, errors_;
  int status_ = 0;
  bool told_ = false;  // its complaints are in an error
};

}  // namespace steadycell::link
