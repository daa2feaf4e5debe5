#include "service/known_boards.h"

#include <gtest/gtest.h>

namespace steadycell::service {
namespace {

TEST(BoardChecks, GoStaleAfterThirtyDays) {
  EXPECT_FALSE(is_stale("2026-03-01T10:00:00Z", "2026-03-01T10:00:00Z"));
  EXPECT_FALSE(is_stale("2026-03-01T10:00:00.5Z", "2026-03-31T10:00:00Z"));
  EXPECT_TRUE(is_stale("2026-03-01T10:00:00Z", "2026-03-31T10:00:01Z"));
  EXPECT_FALSE(is_stale("2028-02-29T00:00:00Z", "2028-03-30T00:00:00Z")) << "over a leap day";
  EXPECT_FALSE(is_stale("2026-03-02T10:00:00Z", "2026-03-01T10:00:00Z")) << "a clock that was set back";
  EXPECT_TRUE(is_stale("yesterday", "2026-03-01T10:00:00Z"));
  EXPECT_TRUE(is_stale("2026-02-30T10:00:00Z", "2026-03-01T10:00:00Z"));
}

TEST(BoardChecks, AreQuotedWithTheirOutcome) {
  const KnownCheck good{.time = "2026-03-01T10:00:00Z", .passed = true, .stale = false, .file = "boards/u/check.json", .sha256 = "ab"};
  EXPECT_EQ(good.quote(), "board check of 2026-03-01T10:00:00Z passed (boards/u/check.json, SHA-256 ab)");
  EXPECT_FALSE(good.worth_a_warning());
  KnownCheck stale = good, failed = good;
  stale.stale = true;
  failed.passed = false;
  EXPECT_TRUE(stale.worth_a_warning());
  EXPECT_NE(stale.quote().find("more than 30 days ago"), std::string::npos);
  EXPECT_TRUE(failed.worth_a_warning());
  EXPECT_NE(failed.quote().find("FAILED"), std::string::npos);
}

}  // namespace
}  // namespace steadycell::service
