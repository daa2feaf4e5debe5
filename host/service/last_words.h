#pragma once
#include <string>

#include "base/result.h"

namespace steadycell::service {

// From now on a process that gets no memory writes `text` to `descriptor` and ends at once with `no_memory`'s exit code, as
// though it had been killed: what was acknowledged is on the disk, the board cuts its rails by itself within 500 ms, and the
// same command goes on. Unwinding would need memory on its way, through coroutines and C libraries that each could fail again.
void end_without_memory(std::string text, int descriptor);

// What a program says then.
Error without_memory();

}  // namespace steadycell::service
