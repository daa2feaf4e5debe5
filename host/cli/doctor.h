#pragma once
#include "base/json.h"
#include "base/result.h"

namespace steadycell::cli {

// Looks at all of it: {"healthy", "findings": [{"check", "state", "found", "cure"}]}; healthy without a problem.
Result<json::Object> doctor();

}  // namespace steadycell::cli
