#pragma once
#include "base/json.h"
#include "base/result.h"

namespace steadycell::api {

// An Error as scripts and clients get it: {"error": {"code": "e203", "what", "where", "kept", "next"}}.
// Absent places are null, so that the keys are always there.
json::Value to_json(const Error& error);

}  // namespace steadycell::api
