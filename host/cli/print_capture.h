#pragma once
#include <string>

#include "base/json.h"

namespace steadycell::cli {

// Results of capture.verify and capture.export, for people.
std::string print_capture_verify(const json::Object& result);
std::string print_pass(const json::Object& result);

}  // namespace steadycell::cli
