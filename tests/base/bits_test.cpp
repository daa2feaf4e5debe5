#include "base/bits.h"

#include <gtest/gtest.h>

#include <bitset>
#include <random>

namespace steadycell {
namespace {

Bytes some_bytes(std::size_t size, std::uint32_t seed) {
  std::mt19937 random(seed);
  Bytes bytes(size);
  for (std::uint8_t& byte : bytes) byte = static_cast<std::uint8_t>(random());
  return bytes;
}

// Against the same byte by byte, at every length up to some words and every place in a word.
TEST(Bits, CountsAndDifferencesAreThoseOfTheSingleBytes) {
  const Bytes a = some_bytes(80, 1), b = some_bytes(80, 2);
  for (std::size_t first = 0; first < 8; ++first)
    for (std::size_t size = 0; size + first <= 80; ++size) {
      const ByteSpan x = ByteSpan(a).subspan(first, size), y = ByteSpan(b).subspan(first, size);
      std::uint64_t ones = 0, differing = 0;
      Bytes sum(size);
      for (std::size_t i = 0; i < size; ++i) {
        sum[i] = static_cast<std::uint8_t>(x[i] ^ y[i]);
        ones += std::bitset<8>(x[i]).count();
        differing += std::bitset<8>(sum[i]).count();
      }
      EXPECT_EQ(count_ones(x), ones) << first << ", " << size;
      EXPECT_EQ(count_differing(x, y), differing) << first << ", " << size;
      Bytes around(a);
      xor_into(MutableByteSpan(around).subspan(first, size), y);
      EXPECT_TRUE(std::equal(sum.begin(), sum.end(), around.begin() + static_cast<std::ptrdiff_t>(first)));
      EXPECT_TRUE(std::equal(a.begin(), a.begin() + static_cast<std::ptrdiff_t>(first), around.begin()));
      EXPECT_TRUE(std::equal(a.begin() + static_cast<std::ptrdiff_t>(first + size), a.end(),
                             around.begin() + static_cast<std::ptrdiff_t>(first + size)));
    }
}

// Each single byte of masks up to more than the widest step, and none; from every place on.
TEST(Bits, NextSetByteIsTheFirstThatIsNotZero) {
  for (const std::size_t size : {0U, 1U, 7U, 8U, 63U, 255U, 256U, 600U}) {
    Bytes mask(size);
    for (std::size_t from = 0; from <= size; ++from) EXPECT_EQ(next_set_byte(mask, from), size);
    for (std::size_t set = 0; set < size; ++set) {
      mask[set] = static_cast<std::uint8_t>(1U << set % 8);
      for (std::size_t from = 0; from <= size; ++from)
        ASSERT_EQ(next_set_byte(mask, from), from <= set ? set : size) << size << ", " << from;
      mask[set] = 0;
    }
  }
}

// Two spans that differ in one byte, in none, and in all.
TEST(Bits, NextDifferenceIsTheFirst) {
  const Bytes whole = some_bytes(700, 3);
  for (const std::size_t size : {0U, 1U, 7U, 8U, 63U, 255U, 256U, 600U}) {
    const ByteSpan a = ByteSpan(whole).subspan(3, size);
    Bytes b(a.begin(), a.end());
    for (std::size_t from = 0; from <= size; ++from) EXPECT_EQ(next_difference(a, b, from), size);
    for (std::size_t at = 0; at < size; ++at) {
      b[at] ^= static_cast<std::uint8_t>(1U << at % 8);
      for (std::size_t from = 0; from <= size; ++from)
        ASSERT_EQ(next_difference(a, b, from), from <= at ? at : size) << size << ", " << from;
      b[at] = a[at];
    }
    for (std::uint8_t& byte : b) byte = static_cast<std::uint8_t>(~byte);
    for (std::size_t from = 0; from <= size; ++from) EXPECT_EQ(next_difference(a, b, from), from);
  }
}

}  // namespace
}  // namespace steadycell
