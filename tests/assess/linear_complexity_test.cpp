// Outside sources: Gauss's count of irreducible polynomials; the periods of shift registers with primitive
// polynomials (2^n - 1: Golomb, Shift Register Sequences, 1967); Rueppel's mean complexity of random bits (1986).
// The worked example of NIST SP 800-22, section 2.10, is from memory.
#include "assess/linear_complexity.h"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

namespace steadycell::assess {
namespace {

std::vector<bool> bits_of(std::string_view text) {
  std::vector<bool> out;
  for (const char c : text) out.push_back(c == '1');
  return out;
}

// s[n] = s[n - a] + s[n - b]
std::vector<bool> register_bits(unsigned a, unsigned b, std::size_t count, std::uint64_t seed) {
  std::vector<bool> out;
  for (std::size_t i = 0; i < count; ++i) out.push_back(i < a ? (seed >> i & 1) != 0 : out[i - a] != out[i - b]);
  return out;
}

TEST(LinearComplexity, WorkedExampleOfTheStandard) {
  const Complexity found = linear_complexity(bits_of("1101011110001"));
  EXPECT_EQ(found.length, 4u);  // "adding the first and second bit of four gives the next": s[n] = s[n-4] + s[n-3]
  ASSERT_TRUE(found.feedback);
  EXPECT_EQ(found.feedback->polynomial, 0b10011u);
}

TEST(LinearComplexity, EdgesAreThoseOfTheDefinition) {
  EXPECT_EQ(linear_complexity(std::vector<bool>()).length, 0u);
  EXPECT_EQ(linear_complexity(bits_of("00000000")).length, 0u);
  EXPECT_EQ(linear_complexity(bits_of("00000001")).length, 8u) << "zeros and a last one need a stage for each";
  EXPECT_EQ(linear_complexity(bits_of("11111111")).length, 1u);
  EXPECT_EQ(linear_complexity(bits_of("10101010")).length, 2u);
}

TEST(LinearComplexity, ARegisterIsFoundFromTwiceItsLength) {
  for (const auto& [a, b] : {std::pair{7u, 6u}, {15u, 14u}, {23u, 18u}, {31u, 28u}, {63u, 62u}})
    for (std::uint32_t seed : {1u, 0x2Au, 0x55u}) {
      const Complexity found = linear_complexity(register_bits(a, b, 2 * a + 64, seed));
      EXPECT_EQ(found.length, a);
      ASSERT_TRUE(found.feedback);
      EXPECT_EQ(found.feedback->polynomial, std::uint64_t{1} << a | std::uint64_t{1} << (a - b) | 1);
    }
}

TEST(LinearComplexity, BothBitOrdersReadTheSameBits) {
  const auto bits = register_bits(15, 14, 512, 77);
  Bytes high(64), low(64);
  for (std::size_t i = 0; i < bits.size(); ++i)
    if (bits[i]) {
      high[i / 8] = static_cast<std::uint8_t>(high[i / 8] | 0x80 >> i % 8);
      low[i / 8] = static_cast<std::uint8_t>(low[i / 8] | 1 << i % 8);
    }
  EXPECT_EQ(linear_complexity(high, BitOrder::msb_first).length, 15u);
  EXPECT_EQ(linear_complexity(low, BitOrder::lsb_first).length, 15u);
  // In the wrong order each of the eight places in a byte is a register of its own.
  EXPECT_EQ(linear_complexity(high, BitOrder::lsb_first).length, 8 * 15u);
}

TEST(LinearComplexity, RandomBitsNeedHalfTheirNumber) {
  std::mt19937 random(1);
  double sum = 0;
  constexpr int kRounds = 500;
  for (int round = 0; round < kRounds; ++round) {
    Bytes bytes(32);
    for (auto& byte : bytes) byte = static_cast<std::uint8_t>(random());
    sum += linear_complexity(bytes, BitOrder::msb_first).length;
  }
  // Mean n/2 + 2/9 for even n, variance about 86/81.
  EXPECT_NEAR(sum / kRounds, 128 + 2.0 / 9, 5 * std::sqrt(86.0 / 81 / kRounds));
}

TEST(LinearComplexity, LongSequencesUseMoreThanOneWord) {
  // A lone one among zeros half way: a register of as many stages as there are bits up to it.
  std::vector<bool> bits(1000);
  bits[699] = true;
  EXPECT_EQ(linear_complexity(bits).length, 700u);
  // Two registers of coprime polynomials summed need the stages of both.
  auto sum = register_bits(31, 28, 400, 5);
  const auto other = register_bits(63, 62, 400, 9);
  for (std::size_t i = 0; i < sum.size(); ++i) sum[i] = sum[i] != other[i];
  EXPECT_EQ(linear_complexity(sum).length, 94u);
}

TEST(IsIrreducible, AsManyAsGaussCounted) {
  const std::vector<unsigned> counts{
      2, 1, 2, 3, 6, 9, 18, 30, 56, 99, 186, 335};  // of degree 1, 2, ..: sum over d | n of mu(d) 2^(n/d) / n
  for (unsigned degree = 1; degree <= counts.size(); ++degree) {
    unsigned found = 0;
    for (std::uint64_t low = 0; low < std::uint64_t{1} << degree; ++low)
      found += is_irreducible(std::uint64_t{1} << degree | low) ? 1 : 0;
    EXPECT_EQ(found, counts[degree - 1]) << degree;
  }
}

TEST(IsIrreducible, LongOnesAndTheirProducts) {
  EXPECT_TRUE(is_irreducible(std::uint64_t{1} << 63 | 3)) << "x^63 + x + 1 is primitive";
  EXPECT_TRUE(is_irreducible(std::uint64_t{1} << 31 | 9));
  EXPECT_FALSE(is_irreducible(std::uint64_t{1} << 62 | 1));
  EXPECT_FALSE(is_irreducible(0));
  EXPECT_FALSE(is_irreducible(1));
}

}  // namespace
}  // namespace steadycell::assess
