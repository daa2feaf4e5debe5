#pragma once
#include <string>
#include <string_view>

#include "base/json.h"

namespace steadycell::cli {

// The result of a method as lines for a person; everything that came from a chip or a file is made safe for a terminal.
std::string text_for_people(std::string_view method, const json::Object& result);

}  // namespace steadycell::cli
