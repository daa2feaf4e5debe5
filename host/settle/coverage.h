#pragma once
#include <vector>

#include "image/coverage.h"
#include "passes/capture.h"

namespace steadycell::settle {

// Blocks with at least one unit, place after place.
std::vector<image::LunCoverage> coverage_of(const passes::CaptureReader& reader);

}  // namespace steadycell::settle
