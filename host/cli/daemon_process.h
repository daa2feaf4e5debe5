#pragma once
#include <string>

#include "base/result.h"

namespace steadycell::cli {

// How a daemon is started here: by its user unit where systemd runs and has one, else by hand.
std::string how_to_start_daemon(const std::string& root);

// What ends the daemon `process`, one that hangs, and then `then`.
std::string what_ends_it(int process, const std::string& then);
// `error` says that the daemon `process`, which is known to be one, does not answer; told with the process and how to end it.
Error hangs(const Error& error, int process,
            const std::string& then = "repeat the commands: chip read goes on where it stopped");
// `error` says that what listens at `socket` does not answer as a daemon; told with the process behind it, as far as that can be
// known, and what to do about it.
Error no_answer(const Error& error, const std::string& socket);

}  // namespace steadycell::cli
