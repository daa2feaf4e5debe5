#pragma once
#include <optional>
#include <span>
#include <string_view>
#include <vector>

#include "base/address.h"
#include "base/bytes.h"
#include "base/result.h"

// What an export hands over of each raw page (page + spare).
namespace steadycell::image {

enum class View : std::uint8_t { raw, data, spare };
std::string_view name_of(View view);
std::optional<View> parse_view(std::string_view name);

// Bytes [offset, offset + length) of a raw page.
struct ByteRange {
  std::uint32_t offset = 0;
  std::uint32_t length = 0;
  friend bool operator==(const ByteRange&, const ByteRange&) = default;
};

// The ranges of a raw page that a view takes, in order.
class ViewRanges {
 public:
  // `scheme_data`: the data ranges of the ECC scheme, step after step; empty when no scheme is known. `data` is
  // those ranges in that order, else the first page_bytes; `spare` is every byte that is not data, ascending;
  // `raw` all. Ranges outside the page or over each other are refused (bad_input_file).
  static Result<ViewRanges> make(View view, const Geometry& geometry, std::span<const ByteRange> scheme_data);

  std::uint32_t bytes_per_page() const { return bytes_; }
  std::span<const ByteRange> ranges() const { return ranges_; }
  // `raw_page` is page + spare, `out` has bytes_per_page() bytes.
  void take(ByteSpan raw_page, MutableByteSpan out) const;

 private:
  std::vector<ByteRange> ranges_;
  std::uint32_t bytes_ = 0;
};

}  // namespace steadycell::image
