#pragma once
#include <vector>

#include "base/result.h"
#include "image/manifest.h"
#include "image/views.h"

namespace steadycell::settle {

// The data ranges of the scheme in the manifest, step after step; empty without a scheme.
Result<std::vector<image::ByteRange>> scheme_data_ranges(const image::Manifest& manifest);

}  // namespace steadycell::settle
