#pragma once
#include <vector>

#include "image/coverage.h"
#include "passes/capture.h"

namespace steadycell::settle {

// Blocks with at least one unit, place after place.
std::vector<image::LunCoverage> coverage_of(const passes::CaptureReader& reader);

// Why a capture whose coverage is empty gives nothing.
Error nothing_covered(const passes::CaptureReader& reader, const std::string& folder);

}  // namespace steadycell::settle
