#include "base/json.h"

#include <gtest/gtest.h>

#include <bit>
#include <cmath>
#include <cstdlib>
#include <random>

namespace steadycell::json {
namespace {

TEST(Json, RefusesAKeyThatStandsTwice) {
  const auto value = parse(R"({"a": 1, "b": {"c": 1, "c": 2}})");
  ASSERT_FALSE(value);
  EXPECT_NE(value.error().what().find("\"c\""), std::string::npos);
}

TEST(Json, SameKeyInSiblingObjectsIsFine) { EXPECT_TRUE(parse(R"([{"a": 1}, {"a": 2}])")); }

TEST(Json, RefusesDeepNestingWithoutCrashing) {
  const std::string deep(100'000, '[');
  EXPECT_FALSE(parse(deep));
}

TEST(Json, NamesTheByteOfASyntaxError) {
  const auto value = parse(R"({"a": nope})");
  ASSERT_FALSE(value);
  EXPECT_NE(value.error().what().find("byte"), std::string::npos) << value.error().what();
}

TEST(Json, RefusesTextBehindTheDocumentAndACutDocument) {
  EXPECT_FALSE(parse("{} {}"));
  EXPECT_FALSE(parse("{\"a\": "));
  EXPECT_FALSE(parse(""));
  EXPECT_TRUE(parse("{}\n"));
}

// Numbers pass through files and messages unchanged: the reference is the C library's strtod.
TEST(Json, RealsAreTheNearestDoubleToTheirText) {
  std::mt19937_64 random(1);
  std::vector<double> expected;
  std::string text = "[0.1, {\"a\": [-2.5e-7, 3], \"b\": 0.30000000000000004}";
  for (int i = 0; i < 20000; ++i) {
    const double number = std::bit_cast<double>(random());
    if (!std::isfinite(number)) continue;
    const std::string digits = fmt::format("{:.17e}", number);
    text += ", " + digits;
    expected.push_back(std::strtod(digits.c_str(), nullptr));
  }
  const auto value = parse(text + "]");
  ASSERT_TRUE(value) << value.error().text();
  EXPECT_EQ(value->at(0), 0.1);
  EXPECT_EQ(value->at(1).at("a").at(0), -2.5e-7);
  EXPECT_EQ(value->at(1).at("b"), 0.30000000000000004);
  for (std::size_t i = 0; i < expected.size(); ++i) ASSERT_EQ(value->at(i + 2).get_double(), expected[i]) << i;
  EXPECT_EQ(*parse(text_of(*value)), *value);
}

TEST(JsonReader, NamesTheFullPathOfAMissingKey) {
  const auto value = parse(R"({"blocks": 7})");
  Reader reader(*value, "chip.targets[0].geometry");
  const auto pages = reader.number("page_bytes", 1, 65536);
  ASSERT_FALSE(pages);
  EXPECT_NE(pages.error().what().find("chip.targets[0].geometry.page_bytes"), std::string::npos);
}

TEST(JsonReader, RefusesAKeyNobodyAskedFor) {
  const auto value = parse(R"({"blocks": 7, "blokcs": 8})");
  Reader reader(*value, "");
  EXPECT_EQ(*reader.number("blocks", 0, 100), 7u);
  const auto done = reader.finish();
  ASSERT_FALSE(done);
  EXPECT_NE(done.error().what().find("blokcs"), std::string::npos);
}

TEST(JsonReader, KeepsNumbersInsideTheirLimitsAndWhole) {
  const auto value = parse(R"({"a": 101, "b": -1, "c": 1.5, "d": 1e300, "e": "7"})");
  Reader reader(*value, "");
  for (const char* key : {"a", "b", "c", "d", "e"}) EXPECT_FALSE(reader.number(key, 0, 100)) << key;
  EXPECT_EQ(*reader.number_or("absent", 0, 100, 5), 5u);
}

TEST(Json, PrettyTextReadsBackTheSame) {
  const auto value = parse(R"({"a":[1,2,{"b":null}],"c":"\u0001x","d":{}})");
  const auto again = parse(pretty(*value));
  ASSERT_TRUE(again);
  EXPECT_EQ(text_of(*again), text_of(*value));
}

}  // namespace
}  // namespace steadycell::json
