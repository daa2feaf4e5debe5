#include "passes/hasher.h"

#include <gtest/gtest.h>

namespace steadycell::passes {
namespace {

// FIPS 180-4, as worked in NIST's example values: the digest of "abc", and of nothing.
constexpr const char* kOfAbc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
constexpr const char* kOfNothing = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";

TEST(Hasher, GivesTheDigestOfWhatWasStartedOneAfterTheOther) {
  const Bytes abc{'a', 'b', 'c'};
  Hasher hasher;
  for (int unit = 0; unit < 1000; ++unit) {  // often enough for both: taken by the thread, and not begun when it is asked for
    hasher.start(unit % 2 == 0 ? ByteSpan(abc) : ByteSpan());
    ASSERT_EQ(to_text(hasher.finish()), unit % 2 == 0 ? kOfAbc : kOfNothing);
  }
}

TEST(Hasher, EndsWithoutEverHavingHashed) { const Hasher hasher; }

TEST(Hasher, EndsWhenTheLastDigestWasNotAskedFor) {
  const Bytes large(1 << 20);
  Hasher hasher;
  hasher.start(large);
}

}  // namespace
}  // namespace steadycell::passes
