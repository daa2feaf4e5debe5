#pragma once
#include <string>

#include "records/bench_root.h"

namespace steadycell::service {

// The bench of this call; made when it is missing. wrong_usage without a name: the command line knows its user's home and
// variables, a daemon does not.
Result<records::BenchRoot> open_bench(const std::string& folder);

// The same for a job that costs time or power, before it begins: what it finds out can be kept. Errors also those
// of check_writable.
Result<void> check_bench(const std::string& folder);

}  // namespace steadycell::service
