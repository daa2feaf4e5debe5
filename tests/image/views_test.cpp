#include "image/views.h"

#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

#include <numeric>

#include "image/samples.h"

namespace steadycell::image {
namespace {

Bytes taken(View view, std::span<const ByteRange> scheme, const Bytes& raw, const Geometry& g) {
  const auto ranges = ViewRanges::make(view, g, scheme);
  EXPECT_TRUE(ranges) << ranges.error().text();
  Bytes out(ranges->bytes_per_page());
  ranges->take(raw, out);
  return out;
}

Bytes counting_page() {
  Bytes raw(18);
  std::iota(raw.begin(), raw.end(), std::uint8_t{0});
  return raw;
}

TEST(Views, WithoutASchemeDataIsTheFirstPageBytesAndSpareTheRest) {
  const Bytes raw = counting_page();
  const Geometry g = small_geometry();
  EXPECT_EQ(taken(View::raw, {}, raw, g), raw);
  EXPECT_EQ(taken(View::data, {}, raw, g), Bytes(raw.begin(), raw.begin() + 16));
  EXPECT_EQ(taken(View::spare, {}, raw, g), (Bytes{16, 17}));
}

TEST(Views, WithASchemeDataFollowsTheStepsAndSpareIsWhatIsLeft) {
  // Code bytes interleaved with the data, steps not in page order.
  const std::vector<ByteRange> steps{{9, 8}, {0, 8}};
  const Bytes raw = counting_page();
  EXPECT_EQ(taken(View::data, steps, raw, small_geometry()),
            (Bytes{9, 10, 11, 12, 13, 14, 15, 16, 0, 1, 2, 3, 4, 5, 6, 7}));
  EXPECT_EQ(taken(View::spare, steps, raw, small_geometry()), (Bytes{8, 17}));
}

RC_GTEST_PROP(Views, DataAndSpareTogetherAreThePage, ()) {
  const Geometry g = small_geometry();
  std::vector<ByteRange> steps;
  for (std::uint32_t at = *rc::gen::inRange(0u, 4u); at < 18;) {
    const std::uint32_t length = std::min(18 - at, *rc::gen::inRange(1u, 6u));
    steps.push_back({at, length});
    at += length + *rc::gen::inRange(0u, 4u);
  }
  if (*rc::gen::arbitrary<bool>()) std::reverse(steps.begin(), steps.end());
  const Bytes raw = counting_page();
  Bytes all = taken(View::data, steps, raw, g);
  const Bytes spare = taken(View::spare, steps, raw, g);
  all.insert(all.end(), spare.begin(), spare.end());
  std::sort(all.begin(), all.end());
  RC_ASSERT(all == raw);
}

TEST(Views, RangesOverEachOtherOrOutsideThePageAreRefused) {
  const Geometry g = small_geometry();
  const auto refused = [&](std::vector<ByteRange> ranges) {
    return !ViewRanges::make(View::data, g, ranges).has_value();
  };
  EXPECT_TRUE(refused({{0, 10}, {9, 2}}));
  EXPECT_TRUE(refused({{0, 19}}));
  EXPECT_TRUE(refused({{18, 1}}));
  EXPECT_TRUE(refused({{0xFFFFFFFF, 2}}));
  EXPECT_FALSE(refused({{0, 18}}));
}

TEST(Views, NamesReadBack) {
  for (const View view : {View::raw, View::data, View::spare}) EXPECT_EQ(parse_view(name_of(view)), view);
  EXPECT_EQ(parse_view("oob"), std::nullopt);
}

}  // namespace
}  // namespace steadycell::image
