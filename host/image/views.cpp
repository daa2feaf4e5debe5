#include "image/views.h"

#include <algorithm>
#include <cassert>

namespace steadycell::image {

std::string_view name_of(View view) {
  switch (view) {
    case View::raw:
      return "raw";
    case View::data:
      return "data";
    case View::spare:
      return "spare";
  }
  return "";
}

std::optional<View> parse_view(std::string_view name) {
  for (const View view : {View::raw, View::data, View::spare})
    if (name == name_of(view)) return view;
  return std::nullopt;
}

Result<ViewRanges> ViewRanges::make(View view, const Geometry& geometry, std::span<const ByteRange> scheme_data) {
  const std::uint32_t whole = geometry.raw_page_bytes();
  std::vector<ByteRange> data(scheme_data.begin(), scheme_data.end());
  if (data.empty()) data.push_back({0, geometry.page_bytes});

  std::vector<ByteRange> ascending = data;
  std::sort(ascending.begin(), ascending.end(),
            [](const ByteRange& a, const ByteRange& b) { return a.offset < b.offset; });
  std::vector<ByteRange> between;
  std::uint32_t next = 0;
  for (const ByteRange& range : ascending) {
    if (range.offset < next || std::uint64_t{range.offset} + range.length > whole)
      return failure(ErrorCode::bad_input_file,
                     "scheme: data bytes {} + {} overlap others or leave the {} bytes of the page", range.offset,
                     range.length, whole);
    if (range.offset > next) between.push_back({next, range.offset - next});
    next = range.offset + range.length;
  }
  if (next < whole) between.push_back({next, whole - next});

  ViewRanges made;
  switch (view) {
    case View::raw:
      made.ranges_ = {{0, whole}};
      break;
    case View::data:
      made.ranges_ = std::move(data);
      break;
    case View::spare:
      made.ranges_ = std::move(between);
      break;
  }
  for (const ByteRange& range : made.ranges_) made.bytes_ += range.length;
  return made;
}

void ViewRanges::take(ByteSpan raw_page, MutableByteSpan out) const {
  assert(out.size() == bytes_);
  std::size_t at = 0;
  for (const ByteRange& range : ranges_) {
    const ByteSpan from = raw_page.subspan(range.offset, range.length);
    std::copy(from.begin(), from.end(), out.begin() + static_cast<std::ptrdiff_t>(at));
    at += range.length;
  }
}

}  // namespace steadycell::image
