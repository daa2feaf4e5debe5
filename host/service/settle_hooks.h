#pragma once
#include <string>

#include "base/json.h"
#include "service/service.h"
#include "settle/hooks.h"

namespace steadycell::service {

// Progress and stop of a job that settle/ does; `hooks` must outlive it.
settle::Hooks settle_hooks(const JobHooks& hooks);

// An ECC scheme file, checked. Errors name the file.
Result<json::Value> read_scheme(const std::string& path);

}  // namespace steadycell::service
