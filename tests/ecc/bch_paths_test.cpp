// Every path of the BCH decoder (ecc/bch.h, BchPath) against decoders that know no trick: direct_bch.h, and by it and Peterson's
// decoder in bch_test.cpp the definition of the code.
#include <gtest/gtest.h>

#include <bit>
#include <random>
#include <set>

#include "base/sanitized.h"
#include "direct_bch.h"
#include "polynomials.h"

namespace steadycell::ecc {
namespace {

class BchOnPath : public testing::TestWithParam<BchPath> {
 protected:
  std::optional<BchCode> make(unsigned m, unsigned t, std::uint32_t data_bits, std::uint32_t polynomial = 0) const {
    if (polynomial == 0) polynomial = kPolynomials[m - 4];
    auto code = BchCode::make({.m = m, .t = t, .polynomial = polynomial, .data_bits = data_bits}, GetParam());
    if (!code) return std::nullopt;
    return std::move(*code);
  }
};

void flip(const BchCode& code, Bytes& data, Bytes& parity, std::uint32_t at) {
  const std::uint32_t bit = at < code.data_bits() ? at : at - code.data_bits();
  auto& byte = (at < code.data_bits() ? data : parity)[bit / 8];
  byte = static_cast<std::uint8_t>(byte ^ (0x80u >> bit % 8));
}

// Decodes a copy and compares verdict, places and bytes with what the direct decoder says of the same word.
void check_word(const BchCode& code, const GaloisField& field, BchWorkspace& workspace, const Bytes& data, const Bytes& parity) {
  const auto expected = direct::decode(field, code, data, parity);
  Bytes right_data = data, right_parity = parity, got_data = data, got_parity = parity;
  std::vector<std::uint32_t> positions(code.t());
  const Decoded decoded = code.decode(got_data, got_parity, workspace, positions);
  if (!expected) {
    ASSERT_EQ(decoded.status, DecodeStatus::failed);
  } else {
    ASSERT_EQ(decoded.status, expected->empty() ? DecodeStatus::clean : DecodeStatus::corrected);
    ASSERT_EQ(decoded.bits, expected->size());
    positions.resize(decoded.bits);
    ASSERT_EQ(positions, *expected);
    for (const std::uint32_t at : *expected) flip(code, right_data, right_parity, at);
  }
  ASSERT_EQ(got_data, right_data);
  ASSERT_EQ(got_parity, right_parity);
}

void check_code(const BchCode& code, const GaloisField& field, std::mt19937& random) {
  BchWorkspace workspace(code);
  const unsigned t = code.t();
  for (const unsigned errors : {0u, 1u, 2u, 3u, 4u, 5u, 6u, 7u, t / 2, t - 1, t, t + 1, 2 * t + 3}) {
    if (errors > code.code_bits()) continue;
    SCOPED_TRACE(fmt::format("m {} t {} data bits {} errors {}", code.m(), t, code.data_bits(), errors));
    Bytes data(code.data_bytes()), parity(code.parity_bytes());
    for (auto& byte : data) byte = static_cast<std::uint8_t>(random());
    code.encode(data, parity);
    std::set<std::uint32_t> places;
    while (places.size() < errors) places.insert(static_cast<std::uint32_t>(random() % code.code_bits()));
    for (const std::uint32_t at : places) flip(code, data, parity, at);
    ASSERT_NO_FATAL_FAILURE(check_word(code, field, workspace, data, parity));
  }
  for (int round = 0; round < 2; ++round) {
    SCOPED_TRACE(fmt::format("m {} t {} data bits {} random word", code.m(), t, code.data_bits()));
    Bytes data(code.data_bytes()), parity(code.parity_bytes());
    for (auto& byte : data) byte = static_cast<std::uint8_t>(random());
    for (auto& byte : parity) byte = static_cast<std::uint8_t>(random());
    ASSERT_NO_FATAL_FAILURE(check_word(code, field, workspace, data, parity));
  }
}

TEST_P(BchOnPath, DecodesAsTheDirectDecoderForManyShapes) {
  std::mt19937 random(11);
  unsigned codes = 0;
  for (unsigned m = 4; m <= 15; ++m) {
    const auto field = GaloisField::make(m, kPolynomials[m - 4]).value();
    for (const unsigned t : {1u, 2u, 3u, 4u, 5u, 8u, 16u, 24u, 40u, 60u, 63u, 64u, 72u})
      for (const std::uint32_t bits : {1u, 63u, 65u, 1000u, 4096u, 8192u})
        if (const auto code = kSanitized && (bits > 1000 || m % 4 != 3) ? std::nullopt : make(m, t, bits)) {
          ++codes;
          ASSERT_NO_FATAL_FAILURE(check_code(*code, field, random));
        }
  }
  EXPECT_GT(codes, kSanitized ? 50u : 200u);
}

TEST_P(BchOnPath, DecodesAsTheDirectDecoderForRandomShapes) {
  std::mt19937 random(12);
  for (int round = 0; round < (kSanitized ? 10 : 150);) {
    const unsigned m = 4 + static_cast<unsigned>(random() % 12), t = 1 + static_cast<unsigned>(random() % 72);
    const auto code = make(m, t, 1 + static_cast<std::uint32_t>(random() % ((1u << m) - 1)));
    if (!code) continue;
    ++round;
    ASSERT_NO_FATAL_FAILURE(check_code(*code, GaloisField::make(m, kPolynomials[m - 4]).value(), random));
  }
}

// Few errors are solved in closed form: every pattern of up to 4 errors where they can be counted, many where not.
TEST_P(BchOnPath, FewErrorsAreFoundInEveryFieldOddAndEven) {
  std::mt19937 random(13);
  for (unsigned m = 5; m <= 15; ++m) {
    const auto code = make(m, m == 5 ? 3 : 4, m == 5 ? 16 : (1u << m) - 1 - 4 * m);
    ASSERT_TRUE(code);
    BchWorkspace workspace(*code);
    for (int round = 0; round < (kSanitized ? 100 : 3000); ++round) {
      std::set<std::uint32_t> places;
      const unsigned errors = 1 + static_cast<unsigned>(random() % code->t());
      while (places.size() < errors) places.insert(static_cast<std::uint32_t>(random() % code->code_bits()));
      Bytes data(code->data_bytes()), parity(code->parity_bytes());
      for (const std::uint32_t at : places) flip(*code, data, parity, at);
      std::vector<std::uint32_t> positions(code->t());
      ASSERT_EQ(code->decode(data, parity, workspace, positions), (Decoded{DecodeStatus::corrected, errors})) << m;
      positions.resize(errors);
      ASSERT_EQ(positions, std::vector<std::uint32_t>(places.begin(), places.end()));
    }
  }
}

TEST_P(BchOnPath, AnotherPrimitivePolynomialAndAnUnevenLength) {
  std::mt19937 random(14);
  const auto code = make(14, 24, 8191, 0x4443);
  ASSERT_TRUE(code);
  ASSERT_NO_FATAL_FAILURE(check_code(*code, GaloisField::make(14, 0x4443).value(), random));
}

// --- every word of small codes, against the definition: the one codeword within t, or a failure

// A code of at most 32 bits, words as numbers whose bit code_bits() - 1 is the first data bit.
struct SmallWord {
  SmallWord(const BchCode& of) : code(of), workspace(of), data(of.data_bytes()), parity(of.parity_bytes()) {}
  void put(std::uint32_t word) {
    const std::uint32_t tail = word & ((1u << code.parity_bits()) - 1);
    for (std::size_t i = 0; i < data.size(); ++i) data[i] = byte_of(word >> code.parity_bits(), code.data_bits(), i);
    for (std::size_t i = 0; i < parity.size(); ++i) parity[i] = byte_of(tail, code.parity_bits(), i);
  }
  static std::uint8_t byte_of(std::uint32_t value, std::uint32_t bits, std::size_t i) {
    return static_cast<std::uint8_t>((std::uint64_t{value} << (64 - bits)) >> (56 - 8 * i));
  }
  std::uint32_t get() const {
    std::uint64_t high = 0, low = 0;
    for (std::size_t i = 0; i < data.size(); ++i) high |= std::uint64_t{data[i]} << (56 - 8 * i);
    for (std::size_t i = 0; i < parity.size(); ++i) low |= std::uint64_t{parity[i]} << (56 - 8 * i);
    return static_cast<std::uint32_t>(high >> (64 - code.data_bits()) << code.parity_bits() | low >> (64 - code.parity_bits()));
  }
  const BchCode& code;
  BchWorkspace workspace;
  Bytes data, parity;
};

void check_every_word(const BchCode& code) {
  SmallWord small(code);
  std::vector<std::uint32_t> codewords;
  for (std::uint32_t value = 0; value < 1u << code.data_bits(); ++value) {
    small.put(value << code.parity_bits());
    code.encode(small.data, small.parity);
    codewords.push_back(small.get());
  }
  std::uint64_t decoded_words = 0;
  for (std::uint32_t word = 0; word < 1u << code.code_bits(); ++word) {
    std::optional<std::uint32_t> nearest;
    for (const std::uint32_t codeword : codewords)
      if (static_cast<unsigned>(std::popcount(word ^ codeword)) <= code.t()) nearest = codeword;
    small.put(word);
    const Decoded decoded = code.decode(small.data, small.parity, small.workspace);
    ASSERT_EQ(decoded.status == DecodeStatus::failed, !nearest) << word;
    ASSERT_EQ(small.get(), nearest.value_or(word)) << word;
    decoded_words += nearest ? 1 : 0;
  }
  // Spheres around codewords do not touch: their sizes add up.
  std::uint64_t sphere = 0, choose = 1;
  for (std::uint64_t i = 0; i <= code.t(); choose = choose * (code.code_bits() - i) / (i + 1), ++i) sphere += choose;
  EXPECT_EQ(decoded_words, sphere << code.data_bits());
}

TEST_P(BchOnPath, EveryWordOf15With7DataBits) { check_every_word(make(4, 2, 7).value()); }
TEST_P(BchOnPath, EveryWordOf15With5DataBits) { check_every_word(make(4, 3, 5).value()); }

// The decoder's verdict depends on the remainder alone (the code is linear), and each remainder is that of a word without data:
// 2^15 words stand for all 2^31. Those within 3 bits of a codeword number 1 + 31 + C(31,2) + C(31,3).
TEST_P(BchOnPath, EveryPatternOf31With16DataBits) {
  const BchCode code = make(5, 3, 16).value();
  SmallWord small(code);
  unsigned decodable = 0;
  for (std::uint32_t word = 0; word < 1u << 15; ++word) {
    small.put(word);
    if (code.decode(small.data, small.parity, small.workspace).status == DecodeStatus::failed) {
      ASSERT_EQ(small.get(), word);
      continue;
    }
    ++decodable;
    const std::uint32_t found = small.get();
    ASSERT_LE(std::popcount(found ^ word), 3);
    code.encode(small.data, small.parity);
    ASSERT_EQ(small.get(), found) << "no codeword";
  }
  EXPECT_EQ(decodable, 4992u);
  for (std::uint32_t a = 0; a < 31; ++a)
    for (std::uint32_t b = a; b < 31; ++b)
      for (std::uint32_t c = b; c < 31; ++c)
        for (const std::uint32_t value : {0u, 0x1234u}) {
          small.put(value << 15);
          code.encode(small.data, small.parity);
          const std::uint32_t codeword = small.get();
          small.put(codeword ^ (1u << a | 1u << b | 1u << c));
          ASSERT_EQ(code.decode(small.data, small.parity, small.workspace).status, DecodeStatus::corrected);
          ASSERT_EQ(small.get(), codeword);
        }
}

INSTANTIATE_TEST_SUITE_P(Paths, BchOnPath, testing::ValuesIn(bch_paths().begin(), bch_paths().end()),
                         [](const auto& path) { return std::string(name_of(path.param)); });

}  // namespace
}  // namespace steadycell::ecc
