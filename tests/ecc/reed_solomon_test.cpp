// References: IT++ (Debian libitpp-dev), a general-purpose library for communications, for whole codes; the definition (the
// codeword polynomial vanishes at every root) and counting all words for small cases.
#include "ecc/reed_solomon.h"

#include <gtest/gtest.h>
#include <itpp/comm/reedsolomon.h>

#include <algorithm>
#include <cmath>
#include <random>

namespace steadycell::ecc {
namespace {

// The field polynomials that IT++ uses for its fields.
std::uint32_t polynomial_of(unsigned m) {
  static constexpr std::uint32_t kPolynomials[] = {0x11D, 0x211, 0x409, 0x805, 0x1053};
  return kPolynomials[m - 8];
}

std::vector<std::uint32_t> symbols_of(ByteSpan bytes, unsigned width, std::size_t count) {
  std::vector<std::uint32_t> symbols(count, 0);
  for (std::size_t i = 0; i < count * width; ++i)
    symbols[i / width] = symbols[i / width] << 1 | (i / 8 < bytes.size() ? bytes[i / 8] >> (7 - i % 8) & 1u : 0u);
  return symbols;
}

struct Word {
  Bytes data, parity;
  friend bool operator==(const Word&, const Word&) = default;
};

Word random_word(const ReedSolomonCode& code, std::mt19937& random) {
  Word word{Bytes(code.data_bytes()), Bytes(code.parity_bytes())};
  for (auto& byte : word.data) byte = static_cast<std::uint8_t>(random());
  if (const unsigned used = code.shape().data_bits % 8) word.data.back() &= static_cast<std::uint8_t>(0xFF << (8 - used));
  code.encode(word.data, word.parity);
  return word;
}

// Makes `count` different symbols wrong, each in a random number of bits; returns the bits.
std::uint32_t spoil(const ReedSolomonCode& code, Word& word, unsigned count, std::mt19937& random) {
  std::vector<std::uint32_t> places;
  std::uint32_t wrong = 0;
  while (places.size() < count) {
    const auto at = static_cast<std::uint32_t>(random() % code.code_symbols());
    if (std::find(places.begin(), places.end(), at) != places.end()) continue;
    std::uint32_t bits = 0;
    for (unsigned bit = 0; bit < code.symbol_bits(); ++bit) {
      const bool in_data = at < code.data_symbols();
      const std::size_t place = std::size_t{in_data ? at : at - code.data_symbols()} * code.symbol_bits() + bit;
      if (random() % 3 != 0 || (in_data && place >= code.shape().data_bits)) continue;
      auto& byte = (in_data ? word.data : word.parity)[place / 8];
      byte = static_cast<std::uint8_t>(byte ^ (0x80u >> place % 8));
      ++bits;
    }
    if (bits == 0) continue;
    wrong += bits;
    places.push_back(at);
  }
  return wrong;
}

class ReedSolomonOfEveryWidth : public testing::TestWithParam<unsigned> {};

TEST_P(ReedSolomonOfEveryWidth, EncodesAndDecodesAsItpp) {
  const unsigned m = GetParam();
  for (const unsigned t : {1u, 4u, 9u})
    for (const unsigned first_root : {0u, 1u, 5u}) {
      const unsigned n = (1u << m) - 1, k = n - 2 * t;
      const auto code =
          ReedSolomonCode::make({.symbol_bits = m, .t = t, .polynomial = polynomial_of(m), .first_root = first_root, .data_bits = k * m});
      ASSERT_TRUE(code) << code.error().text();
      itpp::Reed_Solomon reference(static_cast<int>(m), static_cast<int>(t), true, static_cast<int>(first_root));
      std::mt19937 random(m * 100 + t);
      Word word = random_word(*code, random);
      // IT++ has the lowest power first in data and parity, the most significant bit first in each symbol.
      const auto reversed = [m](ByteSpan bytes, unsigned count) {
        auto symbols = symbols_of(bytes, m, count);
        std::reverse(symbols.begin(), symbols.end());
        itpp::bvec bits(static_cast<int>(count * m));
        for (unsigned i = 0; i < count * m; ++i)
          bits(static_cast<int>(i)) = itpp::bin(static_cast<int>(symbols[i / m] >> (m - 1 - i % m) & 1u));
        return bits;
      };
      const itpp::bvec data = reversed(word.data, k), parity = reversed(word.parity, 2 * t);
      // No ASSERT_EQ: it would print thousands of bits.
      ASSERT_TRUE(reference.encode(data) == itpp::concat(data, parity)) << "m " << m << " t " << t << " first root " << first_root;
    }
}

TEST_P(ReedSolomonOfEveryWidth, WordsVanishAtTheRootsAndErrorsUpToTAreMended) {
  const unsigned m = GetParam();
  std::mt19937 random(m);
  for (const std::uint32_t data_bits : {8u * 128, 8u * 100 + 3})
    for (const unsigned t : {1u, 2u, 4u, 8u}) {
      const auto code =
          ReedSolomonCode::make({.symbol_bits = m, .t = t, .polynomial = polynomial_of(m), .first_root = 3, .data_bits = data_bits});
      ASSERT_TRUE(code) << code.error().text();
      const GaloisField field = *GaloisField::make(m, polynomial_of(m));
      ReedSolomonWorkspace workspace(*code);
      for (unsigned errors = 0; errors <= t; ++errors)
        for (int round = 0; round < 20; ++round) {
          const Word right = random_word(*code, random);
          auto symbols = symbols_of(right.data, m, code->data_symbols());
          for (const std::uint32_t symbol : symbols_of(right.parity, m, code->parity_symbols())) symbols.push_back(symbol);
          for (unsigned i = 0; i < 2 * t; ++i) {
            std::uint32_t sum = 0;
            for (const std::uint32_t symbol : symbols) sum = field.multiply(sum, field.power(3 + i)) ^ symbol;
            ASSERT_EQ(sum, 0u);
          }
          Word word = right;
          const std::uint32_t bits = spoil(*code, word, errors, random);
          const auto decoded = code->decode(word.data, word.parity, workspace);
          ASSERT_EQ(decoded.status, errors == 0 ? DecodeStatus::clean : DecodeStatus::corrected);
          ASSERT_EQ(decoded.symbols, errors);
          ASSERT_EQ(decoded.bits, bits);
          ASSERT_EQ(word, right);
        }
    }
}

INSTANTIATE_TEST_SUITE_P(Widths, ReedSolomonOfEveryWidth, testing::Values(8u, 9u, 10u, 11u, 12u));

// A decoder of up to t symbols accepts the share sum C(n,i)(q-1)^i / q^2t of all words beyond its reach (the count of words
// within t of a codeword): n = 117, q = 512, t = 1: 0.228.
TEST(ReedSolomon, WordsBeyondTAreAcceptedAsOftenAsCountingSays) {
  const auto code = ReedSolomonCode::make({.symbol_bits = 9, .t = 1, .polynomial = 0x211, .first_root = 0, .data_bits = 9 * 115});
  ASSERT_TRUE(code);
  ReedSolomonWorkspace workspace(*code);
  std::mt19937 random(1);
  int accepted = 0;
  const int rounds = 20000;
  for (int round = 0; round < rounds; ++round) {
    Word word = random_word(*code, random);
    for (auto& byte : word.parity) byte = static_cast<std::uint8_t>(random());
    const Word before = word;
    if (code->decode(word.data, word.parity, workspace).status == DecodeStatus::failed)
      ASSERT_EQ(word, before);
    else
      ++accepted;
  }
  const double expected = 1.0 * (1 + 117.0 * 511) / (512.0 * 512);
  EXPECT_NEAR(accepted, expected * rounds, 5 * std::sqrt(rounds * expected));
}

TEST(ReedSolomon, ErrorsInTheBitsThatAreNotStoredAreNone) {
  // 4096 bits fill 455 symbols of 9 bits and one bit of the next: its other 8 bits are zero.
  const auto code = ReedSolomonCode::make({.symbol_bits = 9, .t = 1, .polynomial = 0x211, .first_root = 1, .data_bits = 4096});
  ASSERT_TRUE(code);
  const auto longer = ReedSolomonCode::make({.symbol_bits = 9, .t = 1, .polynomial = 0x211, .first_root = 1, .data_bits = 4104});
  ASSERT_TRUE(longer);
  std::mt19937 random(2);
  Word word = random_word(*code, random);
  word.data.push_back(0x40);  // a fill bit set
  Bytes parity = word.parity;
  longer->encode(word.data, parity);
  word.data.pop_back();
  ReedSolomonWorkspace workspace(*code);
  EXPECT_EQ(code->decode(word.data, parity, workspace).status, DecodeStatus::failed);
}

TEST(ReedSolomon, ImpossibleShapesAreRefused) {
  const ReedSolomonShape good{.symbol_bits = 9, .t = 4, .polynomial = 0x211, .first_root = 1, .data_bits = 4096};
  EXPECT_TRUE(ReedSolomonCode::make(good));
  const auto refused = [&](auto change) {
    ReedSolomonShape shape = good;
    change(shape);
    return !ReedSolomonCode::make(shape);
  };
  EXPECT_TRUE(refused([](auto& s) { s.symbol_bits = 7; }));
  EXPECT_TRUE(refused([](auto& s) { s.symbol_bits = 13; }));
  EXPECT_TRUE(refused([](auto& s) { s.t = 0; }));
  EXPECT_TRUE(refused([](auto& s) { s.t = 73; }));
  EXPECT_TRUE(refused([](auto& s) { s.t = 28; }));  // 456 + 56 symbols are more than 511
  EXPECT_TRUE(refused([](auto& s) { s.polynomial = 0x201; }));
  EXPECT_TRUE(refused([](auto& s) { s.first_root = 511; }));
  EXPECT_TRUE(refused([](auto& s) { s.data_bits = 0; }));
  EXPECT_TRUE(refused([](auto& s) { s.data_bits = 0xFFFFFFFF; }));
}

}  // namespace
}  // namespace steadycell::ecc
