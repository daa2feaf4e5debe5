#pragma once
#include <vector>

#include "base/text.h"
#include "files/space.h"
#include "passes/capture.h"

namespace steadycell::capture {

// What reading these blocks up to `passes` still adds to a capture. Pass 1 is stored whole. Later passes are differences to it: as large
// as those that the capture holds, on the average; while it holds none, nothing is known of them, and they are left out.
std::vector<files::RoomPart> room_for(const passes::CaptureHead& head, const passes::Contents& contents,
                                      NumberRange blocks, std::uint32_t passes);

}  // namespace steadycell::capture
