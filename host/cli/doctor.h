#pragma once
#include <string>

#include "base/json.h"
#include "base/result.h"

namespace steadycell::cli {

// How a daemon is started here: by its user unit where systemd runs and has one, else by hand.
std::string how_to_start_daemon(const std::string& root);
// Looks at all of it: {"healthy", "findings": [{"check", "state", "found", "cure"}]}; healthy without a problem.
Result<json::Object> doctor();

}  // namespace steadycell::cli
