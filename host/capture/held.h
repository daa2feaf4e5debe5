#pragma once
#include <string>

#include "base/text.h"
#include "capture/read.h"
#include "passes/capture.h"
#include "passes/without_bytes.h"

// A read that was finished before. Not for other rooms.
namespace steadycell::capture {

// Whether the capture has every unit of these blocks in passes 1 to `passes`, each pass sealed, and its last writer closed a
// journal without damage. Blocks beyond the chip are never held. Whether the bytes are still as they were is not looked at.
bool holds_all(const passes::CaptureReader& capture, NumberRange blocks, std::uint32_t passes);

// What reading those blocks says when holds_all is true. The chip is what the capture says of it. `without_bytes`: of what is held.
ReadResult held_already(const passes::CaptureReader& capture, NumberRange blocks, std::uint32_t passes, const std::string& folder,
                        std::span<const passes::WithoutBytes> without_bytes);

}  // namespace steadycell::capture
