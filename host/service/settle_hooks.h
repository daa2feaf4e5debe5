#pragma once
#include <string>

#include "assess/whitening_key.h"
#include "base/json.h"
#include "passes/hooks.h"
#include "service/service.h"
#include "settle/hooks.h"

namespace steadycell::service {

// Progress and stop of a job that settle/ does; `hooks` must outlive it.
settle::Hooks settle_hooks(const JobHooks& hooks);
// The same of a job that passes/ does; `stage` and `unit` are those of api::Progress.
passes::Hooks passes_hooks(const JobHooks& hooks, std::string stage, std::string unit);

// An ECC scheme file, checked. Errors name the file.
Result<json::Value> read_scheme(const std::string& path);
// A whitening key file, checked. Errors name the file.
Result<assess::WhiteningKey> read_key(const std::string& path);

}  // namespace steadycell::service
