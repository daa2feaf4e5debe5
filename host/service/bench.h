#pragma once
#include <string>

#include "records/bench_root.h"

namespace steadycell::service {

// The bench folder of this call: `given`, else the variable STEADYCELL_BENCH, else steadycell-bench in the user's home.
// wrong_usage when none of them says where.
Result<records::BenchRoot> open_bench(const std::string& given);

}  // namespace steadycell::service
