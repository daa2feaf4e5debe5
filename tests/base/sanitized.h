#pragma once
#include <cstdlib>

namespace steadycell {

// A sanitizer slows down what computes many times, and looks for other faults than wrong answers: tests that try a thing
// thousands of times try it less often then. Set by tests/run.
inline const bool kSanitized = std::getenv("STEADYCELL_SANITIZED") != nullptr;

}  // namespace steadycell
