#include "ecc/bch.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

#include <bit>
#include <numeric>
#include <random>
#include <set>

#include "plain_bch.h"
#include "polynomials.h"

namespace steadycell::ecc {
namespace {

BchCode make(unsigned m, unsigned t, std::uint32_t polynomial, std::uint32_t data_bits) {
  auto code = BchCode::make({.m = m, .t = t, .polynomial = polynomial, .data_bits = data_bits});
  if (!code) throw std::runtime_error(code.error().text());
  return std::move(*code);
}

// --- values from outside

// Narrow-sense generators in the octal form of Lin and Costello's table (from memory). (15,7) is also in the documentation
// of a Python library for Galois fields.
TEST(Bch, GeneratorsAreThoseOfThePublishedTable) {
  const struct { unsigned m, t, k; std::uint32_t polynomial; std::uint64_t octal; } kTable[] = {
      {4, 1, 11, 0x13, 023},             {4, 2, 7, 0x13, 0721},             {4, 3, 5, 0x13, 02467},
      {5, 1, 26, 0x25, 045},             {5, 2, 21, 0x25, 03551},           {5, 3, 16, 0x25, 0107657},
      {5, 5, 11, 0x25, 05423325},        {6, 2, 51, 0x43, 012471},          {6, 3, 45, 0x43, 01701317},
      {6, 4, 39, 0x43, 0166623567},      {6, 5, 36, 0x43, 01033500423},     {6, 6, 30, 0x43, 0157464165547},
      {8, 1, 247, 0x11D, 0435},          {8, 2, 239, 0x11D, 0267543},       {8, 3, 231, 0x11D, 0156720665},
      {8, 4, 223, 0x11D, 075626641375}};
  for (const auto& row : kTable) {
    const BchCode code = make(row.m, row.t, row.polynomial, row.k);
    std::uint64_t generator = 0;
    for (const std::uint8_t bit : code.generator()) generator = generator << 1 | bit;
    EXPECT_EQ(generator, row.octal) << row.m << " " << row.t;
    EXPECT_EQ(code.code_bits(), (1u << row.m) - 1) << "the table's k";
  }
}

Bytes counting(std::size_t bytes) {
  Bytes out(bytes);
  std::iota(out.begin(), out.end(), std::uint8_t{0});
  return out;
}

Bytes one_byte(std::size_t bytes, std::size_t at, std::uint8_t value) {
  Bytes out(bytes);
  out[at] = value;
  return out;
}

std::string parity_hex(unsigned m, unsigned t, std::uint32_t polynomial, const Bytes& data) {
  const BchCode code = make(m, t, polynomial, static_cast<std::uint32_t>(data.size() * 8));
  Bytes parity(code.parity_bytes());
  code.encode(data, parity);
  return hex(parity);
}

// The rows for 00..FF and FF data were reproduced by a build of a general-purpose BCH library, except for the 4443 row, which
// was computed by an independent script; the one-bit rows follow from the generator (a one at the very end leaves the
// generator 14523043AB86AB less its top bit).
TEST(Bch, ParityMatchesTheReferenceVectors) {
  EXPECT_EQ(parity_hex(13, 4, 0x201B, counting(512)), "ecd0e0a751c490");
  EXPECT_EQ(parity_hex(13, 4, 0x201B, Bytes(512, 0xFF)), "d7ec33c6695380");
  EXPECT_EQ(parity_hex(13, 4, 0x201B, one_byte(512, 511, 0x01)), "4523043ab86ab0");
  EXPECT_EQ(parity_hex(13, 4, 0x201B, one_byte(512, 0, 0x80)), "3c1a2a255dfa40");
  EXPECT_EQ(parity_hex(13, 8, 0x201B, counting(512)), "a9bcebb1e14d242bbe4146b3d4");
  EXPECT_EQ(parity_hex(13, 8, 0x201B, Bytes(512, 0xFF)), "10aed1f6126c653d68861adb4a");
  EXPECT_EQ(parity_hex(14, 24, 0x402B, counting(1024)),
            "60ca6c2620e8160c6b4d0b2f6eedacad6376750e15f91aa5bced5f6de8543aa011f1bdc1d9c705e0cc85");
  EXPECT_EQ(parity_hex(14, 24, 0x402B, Bytes(1024, 0xFF)),
            "32532e7f5900dbb5cb8e957db116d2d442fa9acd85293e65d7783eae7100c6d6be1b9c0439edf35a63aa");
  EXPECT_EQ(parity_hex(14, 24, 0x4443, counting(1024)),
            "a92f244be4485d80f31d18c95a48a53282a26a150dd3bab63f2c2c0f4f7b0b8a37d1503e61d812451787");
}

// --- whole small codes

// A code of at most 32 bits, words as numbers: bit code_bits()-1 is the first data bit.
class SmallCode {
 public:
  SmallCode(unsigned m, unsigned t, std::uint32_t data_bits)
      : code_(make(m, t, kPolynomials[m - 4], data_bits)), workspace_(code_), data_(code_.data_bytes()), parity_(code_.parity_bytes()) {}

  std::uint32_t bits() const { return code_.code_bits(); }
  std::uint32_t encode(std::uint32_t value) {
    put(value << code_.parity_bits());
    code_.encode(data_, parity_);
    return get();
  }
  Decoded decode(std::uint32_t& word) {
    put(word);
    const Decoded decoded = code_.decode(data_, parity_, workspace_);
    word = get();
    return decoded;
  }

 private:
  void put(std::uint32_t word) {
    std::fill(data_.begin(), data_.end(), std::uint8_t{0});
    std::fill(parity_.begin(), parity_.end(), std::uint8_t{0});
    for (std::uint32_t i = 0; i < bits(); ++i)
      if (word >> (bits() - 1 - i) & 1u) byte_of(i) |= mask_of(i);
  }
  std::uint32_t get() {
    std::uint32_t word = 0;
    for (std::uint32_t i = 0; i < bits(); ++i) word = word << 1 | ((byte_of(i) & mask_of(i)) != 0 ? 1u : 0u);
    return word;
  }
  std::uint8_t& byte_of(std::uint32_t i) { return i < code_.data_bits() ? data_[i / 8] : parity_[(i - code_.data_bits()) / 8]; }
  std::uint8_t mask_of(std::uint32_t i) const {
    return static_cast<std::uint8_t>(0x80u >> (i < code_.data_bits() ? i : i - code_.data_bits()) % 8);
  }

  BchCode code_;
  BchWorkspace workspace_;
  Bytes data_, parity_;
};

unsigned distance(std::uint32_t a, std::uint32_t b) { return static_cast<unsigned>(std::popcount(a ^ b)); }

// Every one of the 2^15 words against the definition: the only codeword within t, or a failure.
void check_every_word(unsigned t, std::uint32_t data_bits) {
  SmallCode code(4, t, data_bits);
  std::vector<std::uint32_t> codewords;
  for (std::uint32_t value = 0; value < 1u << data_bits; ++value) codewords.push_back(code.encode(value));
  for (std::uint32_t word = 0; word < 1u << code.bits(); ++word) {
    std::optional<std::uint32_t> nearest;
    for (const std::uint32_t candidate : codewords)
      if (distance(word, candidate) <= t) {
        ASSERT_FALSE(nearest) << "two codewords within t of " << word;
        nearest = candidate;
      }
    std::uint32_t decoded_word = word;
    const Decoded decoded = code.decode(decoded_word);
    ASSERT_EQ(decoded.status != DecodeStatus::failed, nearest.has_value()) << word;
    ASSERT_EQ(decoded_word, nearest.value_or(word));
    if (nearest) {
      ASSERT_EQ(decoded.bits, distance(word, *nearest));
    }
  }
}

TEST(BchExhaustive, EveryWordOf15With11DataBits) { check_every_word(1, 11); }
TEST(BchExhaustive, EveryWordOf15With7DataBits) { check_every_word(2, 7); }
TEST(BchExhaustive, EveryWordOf15With5DataBits) { check_every_word(3, 5); }

// Closed form: the (15,7) code's weights are 1 18 30 15 15 30 18 1 at 0 5 6 7 8 9 10 15, so that of the 455 triple errors 180
// lie within two bits of another codeword.
TEST(BchExhaustive, TripleErrorsOf15With7DataBitsSplitAsTheWeightsSay) {
  SmallCode code(4, 2, 7);
  unsigned detected = 0, miscorrected = 0, corrected = 0;
  for (unsigned a = 0; a < 15; ++a)
    for (unsigned b = a + 1; b < 15; ++b)
      for (unsigned c = b + 1; c < 15; ++c) {
        std::uint32_t word = 1u << a | 1u << b | 1u << c;
        if (code.decode(word).status == DecodeStatus::failed)
          ++detected;
        else
          ++(word == 0 ? corrected : miscorrected);
      }
  EXPECT_EQ(detected, 275u);
  EXPECT_EQ(miscorrected, 180u);
  EXPECT_EQ(corrected, 0u);
}

// Worked case: 55h -> 55E5h; bits 0, 1, 2 flipped give 55E2h, which decodes to 77E2h (words of 7 + 8 bits; 55E5h holds them as
// 7-bit data 55h above 8 parity bits E5h).
TEST(BchExhaustive, WorkedMiscorrectionOf15With7DataBits) {
  SmallCode code(4, 2, 7);
  EXPECT_EQ(code.encode(0x55), 0x55E5u);
  EXPECT_EQ(code.encode(0x01), 0x01D1u);
  EXPECT_EQ(code.encode(0x7F), 0x7FFFu);
  std::uint32_t word = 0x55E2;
  EXPECT_EQ(code.decode(word).status, DecodeStatus::corrected);
  EXPECT_EQ(word, 0x77E2u);
}

// The code is linear and the decoder depends on the error alone, so one codeword stands for all; that is checked on others.
TEST(BchExhaustive, EveryErrorWithinTOf31With16DataBits) {
  SmallCode code(5, 3, 16);
  const std::uint32_t codewords[] = {code.encode(0), code.encode(0xFFFF), code.encode(0x1234), code.encode(0x8001)};
  for (const std::uint32_t codeword : codewords)
    for (unsigned a = 0; a < 31; ++a)
      for (unsigned b = a; b < 31; ++b)
        for (unsigned c = b; c < 31; ++c) {
          const std::uint32_t errors = 1u << a | 1u << b | 1u << c;
          std::uint32_t word = codeword ^ errors;
          const Decoded decoded = code.decode(word);
          ASSERT_EQ(decoded.status, DecodeStatus::corrected);
          ASSERT_EQ(decoded.bits, distance(errors, 0));
          ASSERT_EQ(word, codeword);
        }
}

// Every syndrome: 2^15 cosets, each represented by the word with that parity and no data. Those within 3 of a codeword are
// 1 + 31 + C(31,2) + C(31,3) = 4992 (spheres around codewords do not touch, d = 7).
TEST(BchExhaustive, EverySyndromeOf31With16DataBits) {
  SmallCode code(5, 3, 16);
  unsigned decodable = 0;
  for (std::uint32_t syndrome = 0; syndrome < 1u << 15; ++syndrome) {
    std::uint32_t word = syndrome;
    const Decoded decoded = code.decode(word);
    if (decoded.status == DecodeStatus::failed) {
      ASSERT_EQ(word, syndrome);
      continue;
    }
    ++decodable;
    ASSERT_EQ(word, code.encode(word >> 15));
    ASSERT_EQ(distance(word, syndrome), decoded.bits);
    ASSERT_LE(decoded.bits, 3u);
  }
  EXPECT_EQ(decodable, 4992u);
}

// --- large codes

struct Damaged {
  Bytes data, parity, right_data, right_parity;
  std::vector<std::uint32_t> places;
};

Damaged damaged(const BchCode& code, std::uint32_t errors, std::mt19937& random) {
  Damaged out;
  out.data.resize(code.data_bytes());
  out.parity.resize(code.parity_bytes());
  for (auto& byte : out.data) byte = static_cast<std::uint8_t>(random());
  code.encode(out.data, out.parity);
  out.right_data = out.data;
  out.right_parity = out.parity;
  std::set<std::uint32_t> places;
  while (places.size() < errors) places.insert(static_cast<std::uint32_t>(random() % code.code_bits()));
  for (const std::uint32_t at : places) {
    const bool in_data = at < code.data_bits();
    const std::uint32_t bit = in_data ? at : at - code.data_bits();
    auto& byte = (in_data ? out.data : out.parity)[bit / 8];
    byte = static_cast<std::uint8_t>(byte ^ (0x80u >> bit % 8));
  }
  out.places.assign(places.begin(), places.end());
  return out;
}

void expect_corrected(const BchCode& code, Damaged word, BchWorkspace& workspace) {
  std::vector<std::uint32_t> positions(code.t());
  const Decoded decoded = code.decode(word.data, word.parity, workspace, positions);
  ASSERT_EQ(decoded.status, word.places.empty() ? DecodeStatus::clean : DecodeStatus::corrected);
  ASSERT_EQ(decoded.bits, word.places.size());
  positions.resize(word.places.size());
  ASSERT_EQ(positions, word.places);
  ASSERT_EQ(word.data, word.right_data);
  ASSERT_EQ(word.parity, word.right_parity);
}

TEST(Bch, CorrectsExactlyTheInjectedBitsUpToTForEveryFieldAndManyShapes) {
  std::mt19937 random(1);
  for (unsigned m = 4; m <= 15; ++m)
    for (const unsigned t : {1u, 2u, 3u, 4u, 5u, 8u, 24u, 40u, 60u, 72u})
      for (const std::uint32_t bits : {1u, 8u, 77u, 13u * 8, 512u * 8, 1024u * 8, 2048u * 8}) {
        auto code = BchCode::make({.m = m, .t = t, .polynomial = kPolynomials[m - 4], .data_bits = bits});
        if (!code) continue;  // does not fit the field; refusals are checked below
        BchWorkspace workspace(*code);
        for (const std::uint32_t errors : {0u, 1u, 2u, 3u, 4u, t / 2, t - 1, t}) {
          if (errors > t) continue;
          SCOPED_TRACE(fmt::format("m {} t {} data bits {} errors {}", m, t, bits, errors));
          ASSERT_NO_FATAL_FAILURE(expect_corrected(*code, damaged(*code, errors, random), workspace));
        }
      }
}

RC_GTEST_PROP(Bch, EveryWordDecodesAsThePlainDecoderSays, ()) {
  const unsigned m = *rc::gen::inRange(4u, 12u);
  const unsigned t = *rc::gen::inRange(1u, 9u);
  const std::uint32_t order = (1u << m) - 1;
  const BchShape shape{.m = m, .t = t, .polynomial = kPolynomials[m - 4], .data_bits = *rc::gen::inRange(1u, order)};
  const auto code = BchCode::make(shape);
  RC_PRE(code.has_value());
  BchWorkspace workspace(*code);
  std::mt19937 random(*rc::gen::arbitrary<std::uint32_t>());
  const Damaged word = damaged(*code, std::min(code->code_bits(), *rc::gen::inRange(0u, 2 * t + 2)), random);

  Bytes data = word.data, parity = word.parity;
  std::vector<std::uint32_t> positions(t);
  const Decoded decoded = code->decode(data, parity, workspace, positions);
  const auto expected =
      plain::decode(shape, plain::word_of(word.data, code->data_bits(), word.parity, code->parity_bits()));
  RC_ASSERT(expected.has_value() == (decoded.status != DecodeStatus::failed));
  if (!expected) {
    RC_ASSERT(data == word.data && parity == word.parity);
    return;
  }
  positions.resize(decoded.bits);
  RC_ASSERT(positions == *expected);
}

TEST(Bch, AFailedDecodeLeavesTheBytesAlone) {
  const BchCode code = make(13, 8, 0x201B, 4096);
  BchWorkspace workspace(code);
  std::mt19937 random(2);
  for (int round = 0; round < 50; ++round) {  // one random word in 8 million lies within t of a codeword
    const Damaged word = damaged(code, 40, random);
    Bytes data = word.data, parity = word.parity;
    EXPECT_EQ(code.decode(data, parity, workspace).status, DecodeStatus::failed);
    EXPECT_EQ(data, word.data);
    EXPECT_EQ(parity, word.parity);
  }
}

TEST(Bch, PadBitsAreNeitherReadNorWritten) {
  const BchCode code = make(13, 4, 0x201B, 4093);  // 3 pad bits behind the data, 4 behind the 52 parity bits
  BchWorkspace workspace(code);
  Bytes data = counting(512), parity(7), again(7);
  code.encode(data, parity);
  EXPECT_EQ(parity[6] & 0x0F, 0);
  data[511] ^= 0x07;
  parity[6] ^= 0x0F;
  code.encode(data, again);
  EXPECT_EQ(again[6], parity[6] & 0xF0);
  const Bytes data_before = data, parity_before = parity;
  EXPECT_EQ(code.decode(data, parity, workspace).status, DecodeStatus::clean);
  data[0] ^= 0x80;
  EXPECT_EQ(code.decode(data, parity, workspace), (Decoded{DecodeStatus::corrected, 1}));
  EXPECT_EQ(data, data_before);
  EXPECT_EQ(parity, parity_before);
}

TEST(Bch, ShapesThatCannotBeAreRefusedWithTheReason) {
  const struct { BchShape shape; const char* reason; } kBad[] = {
      {{3, 1, 0xB, 1}, "m should be 4 to 15"},
      {{16, 1, 0x1100B, 1}, "m should be 4 to 15"},
      {{0xFFFFFFFF, 1, 0x1100B, 1}, "m should be 4 to 15"},
      {{13, 0, 0x201B, 4096}, "t should be 1 to 72"},
      {{13, 73, 0x201B, 4096}, "t should be 1 to 72"},
      {{4, 8, 0x13, 1}, "cannot correct 8 bits"},
      {{13, 8, 0x201B, 8192}, "more than the code's 8191 bits"},
      {{13, 8, 0x201B, 0xFFFFFFFF}, "more than the code's 8191 bits"},
      {{13, 8, 0x402B, 4096}, "should have degree 13"},
      {{13, 8, 0x1B, 4096}, "should have degree 13"},
      {{13, 8, 0x2001, 4096}, "not primitive"},   // x^13 + 1
      {{13, 8, 0x2000, 4096}, "not primitive"},
      {{4, 1, 0x1F, 1}, "has order 5 instead of 15"},  // irreducible, not primitive
      {{13, 8, 0x201B, 0}, "should have data"},
  };
  for (const auto& bad : kBad) {
    const auto code = BchCode::make(bad.shape);
    ASSERT_FALSE(code) << bad.reason;
    EXPECT_EQ(code.error().code(), ErrorCode::bad_input_file);
    EXPECT_THAT(code.error().what(), testing::HasSubstr(bad.reason));
  }
}

}  // namespace
}  // namespace steadycell::ecc
