#include "settle/scheme.h"

#include "ecc/scheme.h"

namespace steadycell::settle {

Result<std::vector<image::ByteRange>> scheme_data_ranges(const image::Manifest& manifest) {
  std::vector<image::ByteRange> ranges;
  if (!manifest.scheme) return ranges;
  const auto scheme = ecc::parse_scheme(*manifest.scheme);
  if (!scheme) return failure(Error(scheme.error()).during("reading the scheme in the manifest"));
  for (const ecc::Step& step : scheme->steps) {
    for (const ecc::Range& range : step.data) ranges.push_back({.offset = range.offset, .length = range.length});
  }
  return ranges;
}

}  // namespace steadycell::settle
