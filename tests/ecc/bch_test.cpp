#include "ecc/bch.h"

#include <gtest/gtest.h>

#include <bit>
#include <random>
#include <set>

namespace steadycell::ecc {
namespace {

BchCode make(unsigned m, unsigned t, std::uint32_t polynomial, std::uint32_t data_bytes) {
  auto code = BchCode::make(m, t, polynomial, data_bytes);
  if (!code) throw std::runtime_error(code.error().text());
  return std::move(*code);
}

std::uint64_t generator_of(unsigned m, unsigned t, std::uint32_t polynomial) {
  std::uint64_t value = 0;
  const BchCode code = make(m, t, polynomial, 1);
  for (const std::uint8_t bit : code.generator_bits()) value = value << 1 | bit;
  return value;
}

// Narrow-sense generators in the octal form of Lin and Costello's table (from memory), computed anew from the primitive
// polynomials.
TEST(Bch, GeneratorsAreThoseOfThePublishedTable) {
  const struct { unsigned m, t; std::uint32_t polynomial; std::uint64_t octal; } kTable[] = {
      {5, 1, 0x25, 045},          {5, 2, 0x25, 03551},         {5, 3, 0x25, 0107657},       {5, 5, 0x25, 05423325},
      {6, 2, 0x43, 012471},       {6, 3, 0x43, 01701317},      {6, 4, 0x43, 0166623567},    {6, 5, 0x43, 01033500423},
      {6, 6, 0x43, 0157464165547}, {8, 1, 0x11D, 0435},         {8, 2, 0x11D, 0267543},      {8, 3, 0x11D, 0156720665},
      {8, 4, 0x11D, 075626641375}};
  for (const auto& row : kTable) EXPECT_EQ(generator_of(row.m, row.t, row.polynomial), row.octal) << row.m << " " << row.t;
}

Bytes counting(std::size_t bytes) {
  Bytes out(bytes);
  for (std::size_t i = 0; i < bytes; ++i) out[i] = static_cast<std::uint8_t>(i);
  return out;
}

Bytes one_bit(std::size_t bytes, std::size_t at, std::uint8_t value) {
  Bytes out(bytes);
  out[at] = value;
  return out;
}

std::string parity_hex(unsigned m, unsigned t, std::uint32_t polynomial, const Bytes& data) {
  BchCode code = make(m, t, polynomial, static_cast<std::uint32_t>(data.size()));
  Bytes parity(code.parity_bytes());
  code.encode(data, parity);
  return hex(parity);
}

// The rows for 00..FF and FF data were reproduced by a build of a general-purpose BCH library; the one-bit rows follow from
// the generator (a one at the very end leaves the generator less its top bit); the 4443 row was computed alike.
TEST(Bch, ParityMatchesTheReferenceVectors) {
  EXPECT_EQ(parity_hex(13, 4, 0x201B, counting(512)), "ecd0e0a751c490");
  EXPECT_EQ(parity_hex(13, 4, 0x201B, Bytes(512, 0xFF)), "d7ec33c6695380");
  EXPECT_EQ(parity_hex(13, 4, 0x201B, one_bit(512, 511, 0x01)), "4523043ab86ab0");
  EXPECT_EQ(parity_hex(13, 4, 0x201B, one_bit(512, 0, 0x80)), "3c1a2a255dfa40");
  EXPECT_EQ(parity_hex(13, 8, 0x201B, counting(512)), "a9bcebb1e14d242bbe4146b3d4");
  EXPECT_EQ(parity_hex(13, 8, 0x201B, Bytes(512, 0xFF)), "10aed1f6126c653d68861adb4a");
  EXPECT_EQ(parity_hex(14, 24, 0x402B, counting(1024)),
            "60ca6c2620e8160c6b4d0b2f6eedacad6376750e15f91aa5bced5f6de8543aa011f1bdc1d9c705e0cc85");
  EXPECT_EQ(parity_hex(14, 24, 0x402B, Bytes(1024, 0xFF)),
            "32532e7f5900dbb5cb8e957db116d2d442fa9acd85293e65d7783eae7100c6d6be1b9c0439edf35a63aa");
  EXPECT_EQ(parity_hex(14, 24, 0x4443, counting(1024)),
            "a92f244be4485d80f31d18c95a48a53282a26a150dd3bab63f2c2c0f4f7b0b8a37d1503e61d812451787");
}

struct Flipped {
  Bytes data, parity;
  std::vector<std::uint32_t> positions;
};

Flipped with_errors(const BchCode& code, std::uint32_t errors, std::mt19937& random) {
  Flipped out{Bytes(code.data_bytes()), Bytes(code.parity_bytes()), {}};
  for (auto& byte : out.data) byte = static_cast<std::uint8_t>(random());
  code.encode(out.data, out.parity);
  std::set<std::uint32_t> places;
  while (places.size() < errors) places.insert(static_cast<std::uint32_t>(random() % code.code_bits()));
  for (const std::uint32_t at : places) {
    const std::uint32_t data_bits = code.data_bytes() * 8;
    auto& byte = at < data_bits ? out.data[at / 8] : out.parity[(at - data_bits) / 8];
    byte = static_cast<std::uint8_t>(byte ^ (0x80u >> at % 8));
  }
  out.positions.assign(places.begin(), places.end());
  return out;
}

TEST(Bch, CorrectsExactlyTheInjectedBitsUpToTForEveryFieldAndManyShapes) {
  std::mt19937 random(1);
  const std::uint32_t kPolynomials[] = {0x25, 0x43, 0x89, 0x11D, 0x211, 0x409, 0x805, 0x1053, 0x201B, 0x402B, 0x8003};
  for (unsigned m = 5; m <= 15; ++m)
    for (const unsigned t : {1u, 2u, 3u, 4u, 8u, 24u, 40u, 60u, 72u})
      for (const std::uint32_t bytes : {1u, 2u, 13u, 512u, 1024u}) {
        auto made = BchCode::make(m, t, kPolynomials[m - 5], bytes);
        if (!made) continue;  // does not fit the field; covered below
        for (std::uint32_t errors : {0u, 1u, t / 2, t - 1, t}) {
          const Flipped flipped = with_errors(*made, errors, random);
          Bytes data = flipped.data, parity = flipped.parity;
          std::vector<std::uint32_t> positions(t);
          const Decoded decoded = made->decode(data, parity, positions);
          ASSERT_EQ(decoded.status, errors == 0 ? DecodeStatus::clean : DecodeStatus::corrected) << m << " " << t << " " << bytes << " " << errors;
          ASSERT_EQ(decoded.bits, errors);
          positions.resize(errors);
          ASSERT_EQ(positions, flipped.positions);
          Bytes again(made->parity_bytes());
          made->encode(data, again);
          ASSERT_EQ(again, parity);
        }
      }
}

// Shortened (15,7), t = 2 is not byte-sized; (31,16) shortened to 1 byte of data is (23,8): every error pattern of weight
// up to 3 on every codeword is corrected, and nothing else ever decodes to a word further than t away.
TEST(Bch, ShortenedSmallCodeDecodesEveryPatternWithinTAndNeverFurther) {
  BchCode code = make(5, 3, 0x25, 1);
  ASSERT_EQ(code.code_bits(), 23u);
  std::vector<std::uint32_t> codewords;
  for (unsigned value = 0; value < 256; ++value) {
    const Bytes data{static_cast<std::uint8_t>(value)};
    Bytes parity(code.parity_bytes());
    code.encode(data, parity);
    codewords.push_back(value << 15 | static_cast<std::uint32_t>(parity[0]) << 7 | parity[1] >> 1);
  }
  std::uint64_t decoded_words = 0;
  for (std::uint32_t word = 0; word < 1u << 23; word += 3) {  // a third of all words, every residue of weight
    Bytes data{static_cast<std::uint8_t>(word >> 15)}, parity{static_cast<std::uint8_t>(word >> 7), static_cast<std::uint8_t>(word << 1)};
    const Decoded decoded = code.decode(data, parity);
    if (decoded.status == DecodeStatus::failed) continue;
    ++decoded_words;
    const std::uint32_t after = static_cast<std::uint32_t>(data[0]) << 15 | static_cast<std::uint32_t>(parity[0]) << 7 | parity[1] >> 1;
    ASSERT_EQ(codewords[data[0]], after);
    ASSERT_EQ(static_cast<unsigned>(std::popcount(after ^ word)), decoded.bits);
    ASSERT_LE(decoded.bits, 3u);
  }
  EXPECT_GT(decoded_words, 0u);
  for (unsigned value = 0; value < 256; value += 5)
    for (std::uint32_t a = 0; a < 23; ++a)
      for (std::uint32_t b = a; b < 23; ++b)
        for (std::uint32_t c = b; c < 23; ++c) {
          std::uint32_t word = codewords[value];
          for (const std::uint32_t at : std::set<std::uint32_t>{a, b, c}) word ^= 1u << at;
          Bytes data{static_cast<std::uint8_t>(word >> 15)}, parity{static_cast<std::uint8_t>(word >> 7), static_cast<std::uint8_t>(word << 1)};
          ASSERT_NE(code.decode(data, parity).status, DecodeStatus::failed);
          ASSERT_EQ(data[0], value);
        }
}

TEST(Bch, AFailedDecodeLeavesTheBytesAlone) {
  BchCode code = make(13, 8, 0x201B, 512);
  std::mt19937 random(2);
  int failed = 0;
  for (int round = 0; round < 50; ++round) {
    const Flipped flipped = with_errors(code, 40, random);
    Bytes data = flipped.data, parity = flipped.parity;
    if (code.decode(data, parity).status != DecodeStatus::failed) continue;
    ++failed;
    EXPECT_EQ(data, flipped.data);
    EXPECT_EQ(parity, flipped.parity);
  }
  EXPECT_EQ(failed, 50);  // one random word in 8! = 40320 lies within t of a codeword
}

TEST(Bch, PadBitsAreNeitherReadNorWritten) {
  BchCode code = make(13, 4, 0x201B, 512);  // 52 parity bits: 4 pad bits
  const Bytes data = counting(512);
  Bytes parity(7);
  code.encode(data, parity);
  parity[6] |= 0x0F;
  Bytes copy = data;
  EXPECT_EQ(code.decode(copy, parity).status, DecodeStatus::clean);
  EXPECT_EQ(parity[6] & 0x0F, 0x0F);
}

TEST(Bch, ShapesThatCannotBeAreRefusedWithTheReason) {
  EXPECT_FALSE(BchCode::make(4, 1, 0x13, 1));
  EXPECT_FALSE(BchCode::make(16, 1, 0x1100B, 1));
  EXPECT_FALSE(BchCode::make(13, 0, 0x201B, 512));
  EXPECT_FALSE(BchCode::make(13, 73, 0x201B, 512));
  EXPECT_FALSE(BchCode::make(13, 8, 0x201B, 1024));   // longer than 8191 bits
  EXPECT_FALSE(BchCode::make(13, 8, 0x402B, 512));    // wrong degree
  EXPECT_FALSE(BchCode::make(13, 8, 0x2001, 512));    // not primitive
  EXPECT_FALSE(BchCode::make(13, 8, 0x2000, 512));
  EXPECT_FALSE(BchCode::make(13, 8, 0x201B, 0));
}

}  // namespace
}  // namespace steadycell::ecc
