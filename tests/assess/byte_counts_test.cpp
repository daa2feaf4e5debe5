// Closed forms; the figures of whole dumps are compared with the program ent in tests/end_to_end/assess_test.py.
#include "assess/byte_counts.h"

#include <gtest/gtest.h>

#include <cmath>
#include <numeric>
#include <string>

#include "assess/pages.h"

namespace steadycell::assess {
namespace {

ByteCounts counts_of(ByteSpan bytes) {
  ByteCounts counts;
  counts.add(bytes);
  return counts;
}

TEST(ByteCounts, EveryValueEquallyOftenHasEightBitsAndNoChiSquare) {
  Bytes all(1024);
  std::iota(all.begin(), all.end(), std::uint8_t{0});
  EXPECT_DOUBLE_EQ(counts_of(all).entropy(), 8);
  EXPECT_DOUBLE_EQ(counts_of(all).chi_square(), 0);
}

TEST(ByteCounts, TwoValuesEquallyOftenHaveOneBit) {
  const Bytes two{7, 9, 7, 9, 7, 9, 7, 9};
  EXPECT_DOUBLE_EQ(counts_of(two).entropy(), 1);
  // Expected 8/256 of each: 2 (4 - 1/32)^2 + 254 (1/32)^2, over 1/32.
  EXPECT_DOUBLE_EQ(counts_of(two).chi_square(), (2 * 3.96875 * 3.96875 + 254 / 1024.0) * 32);
}

TEST(ByteCounts, UnequalSharesHaveShannonsEntropy) {
  const Bytes three{0, 0, 0, 0, 1, 1, 2, 2};  // 1/2, 1/4, 1/4
  EXPECT_DOUBLE_EQ(counts_of(three).entropy(), 1.5);
  EXPECT_EQ(counts_of(three).commonest(), 0);
}

TEST(ByteCounts, NothingHasNoEntropy) {
  EXPECT_EQ(ByteCounts().entropy(), 0);
  EXPECT_EQ(ByteCounts().chi_square(), 0);
}

TEST(ByteCounts, PiecesAddUp) {
  const Bytes bytes = random_bytes(1001, 1);
  ByteCounts pieces, other;
  pieces.add(ByteSpan(bytes).first(333));
  other.add(ByteSpan(bytes).subspan(333));
  pieces.add(other);
  EXPECT_EQ(pieces.total(), 1001u);
  EXPECT_DOUBLE_EQ(pieces.entropy(), counts_of(bytes).entropy());
  EXPECT_DOUBLE_EQ(pieces.chi_square(), counts_of(bytes).chi_square());
}

TEST(Look, RandomPagesOfAnySizeAreFlat) {
  for (const std::size_t size : {512u, 2048u, 4096u, 16384u})
    for (unsigned seed = 0; seed < 200; ++seed) {
      const Bytes page = random_bytes(size, seed);
      EXPECT_EQ(look_of(page), Look::flat) << size << ' ' << seed;
      EXPECT_NEAR(counts_of(page).entropy(), random_entropy(size), 0.2);
    }
}

TEST(Look, TextTablesAndCountersArePlain) {
  std::string text;
  while (text.size() < 2048) text += "what was read in the spare area of a page ";
  EXPECT_EQ(look_of(as_bytes(text)), Look::plain);
  Bytes table, counter;
  for (std::uint32_t i = 0; table.size() < 2048; ++i) {
    table.resize(table.size() + 4);
    store_u32(MutableByteSpan(table).last(4), 70000 + i);
    for (std::uint32_t k = 0; k < 4; ++k) counter.push_back(static_cast<std::uint8_t>(4 * i + k));
  }
  EXPECT_EQ(look_of(table), Look::plain);
  EXPECT_EQ(look_of(counter), Look::plain) << "all values equally often, and yet no random page";
}

TEST(Look, OneValueWithAFewWrongBitsIsConstant) {
  Bytes page(2048, 0x5A);
  for (std::size_t at = 0; at < page.size(); at += 100) page[at] ^= 1;
  EXPECT_EQ(look_of(page), Look::constant);
  EXPECT_FALSE(looks_erased(page));
}

TEST(Look, ErasedMeansHardlyAZero) {
  Bytes page(2112, 0xFF);
  EXPECT_TRUE(looks_erased(page));
  std::fill_n(page.begin(), 42, std::uint8_t{0});  // 336 of 16896 bits: just under 2 %
  EXPECT_TRUE(looks_erased(page));
  page[42] = 0;
  EXPECT_FALSE(looks_erased(page));
}

TEST(IsVaried, RandomBesideZerosIsNotTextIs) {
  Bytes half = random_bytes(2048, 3);
  std::fill_n(half.begin(), 1024, std::uint8_t{0});
  EXPECT_FALSE(is_varied(counts_of(half)));
  std::string text;
  while (text.size() < 512) text += "what was read in the spare area of a page ";
  Bytes mixed(2048);
  std::copy_n(text.begin(), 512, mixed.begin());
  EXPECT_TRUE(is_varied(counts_of(mixed)));
  EXPECT_FALSE(is_varied(counts_of(Bytes(2048, 0))));
}

}  // namespace
}  // namespace steadycell::assess
