#pragma once
#include <optional>
#include <string_view>
#include <vector>

namespace steadycell::vote {

// Which instructions the kernels of this room use. The best that the processor has is chosen at the first vote.
enum class Path {
  portable,  // plain C++ of 128 bits at a time
  avx2,
  avx512,  // with ternary logic
};
std::string_view to_text(Path path);
// Those that this processor and this build have, slowest first.
std::vector<Path> paths();
// For tests and measurements, before or between votes: from now on `path`, one of paths(); nullopt is the best again.
void use(std::optional<Path> path);

}  // namespace steadycell::vote
