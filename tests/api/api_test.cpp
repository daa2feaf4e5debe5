#include <gtest/gtest.h>

#include "api/failure.h"
#include "api/progress.h"

namespace steadycell::api {
namespace {

TEST(Failure, HasAllFiveKeysWhateverIsKnown) {
  const Error error(ErrorCode::storage_full, "writing pass-0002.dat: no space left");
  EXPECT_EQ(json::text_of(to_json(error)),
            R"({"error":{"code":"e501","what":"writing pass-0002.dat: no space left","where":null,"kept":null,)"
            R"("next":"free space, then run the same command again"}})");
}

TEST(Progress, UnknownRateAndTimeAreNullNotZero) {
  const Progress progress{.stage = "reading pass 1 of 5", .unit = "blocks", .done = 1, .total = 64, .bytes = 135168};
  EXPECT_EQ(json::text_of(to_json(progress)),
            R"({"event":"progress","stage":"reading pass 1 of 5","unit":"blocks","done":1,"total":64,"bytes":135168,)"
            R"("bytes_per_second":null,"seconds_left":null})");
}

}  // namespace
}  // namespace steadycell::api
