#pragma once
#include <atomic>

#include "base/json.h"
#include "base/result.h"

namespace steadycell::cli {

// Looks at all of it: {"healthy", "findings": [{"check", "state", "found", "cure"}]}; healthy without a problem.
// interrupted once `stop` is set while a daemon is waited for.
Result<json::Object> doctor(const std::atomic<bool>* stop);

}  // namespace steadycell::cli
