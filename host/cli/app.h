#pragma once
#include <string>
#include <vector>

#include "cli/caller.h"
#include "cli/command_line.h"

namespace steadycell::cli {

// Runs one command line; returns the exit code (docs/design.md, "Exit codes of the command line").
int run(const std::vector<std::string>& arguments);

// Ctrl-C, SIGTERM and a closed terminal (SIGHUP): the first asks the running job to stop at the next unit, the second leaves at once
// (the board cuts its socket rail by itself when the heartbeat stops).
class StopOnSignal {
 public:
  StopOnSignal();
  const std::atomic<bool>& requested() const;
  // 129 after SIGHUP, 130 after SIGINT, 143 after SIGTERM, 0 when none came.
  int exit_code() const;
};

// The demo: the whole job, once, on the simulated bench; 0 when every recovered file is right.
int run_demo(const Invocation& invocation, Caller& service, ProgressLine& progress, const StopOnSignal& stop);

}  // namespace steadycell::cli
