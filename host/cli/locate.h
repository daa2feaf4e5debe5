#pragma once
#include <filesystem>
#include <string>
#include <string_view>
#include <vector>

#include "base/result.h"

namespace steadycell::cli {

// Our data in an installation or in the build tree: ../share/steadycell/NAME beside the running program's folder.
Result<std::filesystem::path> find_shared(std::string_view name);

// Runs a program from PATH with fixed arguments and waits; its standard output comes back, its standard error passes
// through. helper_missing when it is not there. The exit code is part of the answer.
struct Outcome {
  int exit_code = 0;
  std::string out;
};
Result<Outcome> run_program(const std::vector<std::string>& arguments);

}  // namespace steadycell::cli
