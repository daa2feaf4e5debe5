#pragma once
#include <span>
#include <string>
#include <string_view>

#include "base/text.h"
#include "passes/capture.h"

namespace steadycell::passes {

// "7", "7-9"
std::string text_of(NumberRange blocks);

// The next step where units of these blocks are damaged or missing, as a sentence: a pass more over them, with its command. `folder`
// is the capture as its reader knows it. `blocks`: one range or more, ascending.
std::string reading_again(const CaptureHead& head, std::uint32_t passes, std::string_view folder, std::span<const NumberRange> blocks);

}  // namespace steadycell::passes
