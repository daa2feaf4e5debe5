#include "ecc/hamming.h"

#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

#include <random>

namespace steadycell::ecc {
namespace {

std::string code_of(const Bytes& data, HammingOrder order) {
  Bytes code(kHammingCodeBytes);
  HammingCode(static_cast<std::uint32_t>(data.size()), order).encode(data, code);
  return hex_spaced(code);
}

Bytes filled(std::uint8_t value, std::size_t at = 0, std::uint8_t there = 0, bool changed = false) {
  Bytes data(256, value);
  if (changed) data[at] = there;
  return data;
}

template <typename Rule>
Bytes by_index(Rule rule) {
  Bytes data(256);
  for (std::size_t i = 0; i < data.size(); ++i) data[i] = static_cast<std::uint8_t>(rule(i));
  return data;
}

// Computed by an independent script whose routine agreed on 200 random blocks with a port of the software code in a
// boot loader (U-Boot, nand_ecc.c); SmartMedia's order, which swaps the first two bytes, is from memory.
TEST(Hamming, CodesMatchTheReferenceTableInBothOrders) {
  Bytes digits(256);
  const std::string_view text = "123456789";
  std::copy(text.begin(), text.end(), digits.begin());
  const struct { Bytes data; const char *high_first, *low_first; } kTable[] = {
      {filled(0xFF), "FF FF FF", "FF FF FF"},
      {filled(0x00), "FF FF FF", "FF FF FF"},
      {filled(0, 0, 0x01, true), "AA AA AB", "AA AA AB"},
      {filled(0, 255, 0x80, true), "55 55 57", "55 55 57"},
      {filled(0, 100, 0x10, true), "96 9A 6B", "9A 96 6B"},
      {digits, "AA A5 A7", "A5 AA A7"},
      {by_index([](std::size_t i) { return i * i >> 3; }), "56 55 57", "55 56 57"},
      {by_index([](std::size_t i) { return 7 * i >> 2; }), "FC F3 F3", "F3 FC F3"},
      {filled(0xFF, 0x37, 0xFE, true), "A5 95 AB", "95 A5 AB"},
  };
  for (const auto& row : kTable) {
    EXPECT_EQ(code_of(row.data, HammingOrder::high_line_first), row.high_first);
    EXPECT_EQ(code_of(row.data, HammingOrder::low_line_first), row.low_first);
  }
}

// Whatever the data: stored and computed code differ by 65 A6 98 when bit 5 of byte 77 has flipped (same script).
RC_GTEST_PROP(Hamming, SyndromeOfOneFlipIsThatOfTheReference, ()) {
  Bytes data = *rc::gen::container<Bytes>(256, rc::gen::arbitrary<std::uint8_t>());
  const HammingCode hamming(256, HammingOrder::high_line_first);
  Bytes before(3), after(3);
  hamming.encode(data, before);
  data[77] ^= 1u << 5;
  hamming.encode(data, after);
  for (std::size_t i = 0; i < 3; ++i) before[i] ^= after[i];
  RC_ASSERT(hex_spaced(before) == "65 A6 98");
}

class HammingShapes : public testing::TestWithParam<std::tuple<std::uint32_t, HammingOrder>> {
 protected:
  HammingCode hamming{std::get<0>(GetParam()), std::get<1>(GetParam())};
  std::uint32_t data_bits = hamming.data_bytes() * 8;
  Bytes data, code = Bytes(3);

  void SetUp() override {
    std::mt19937 random(4);
    data.resize(hamming.data_bytes());
    for (auto& byte : data) byte = static_cast<std::uint8_t>(random());
    hamming.encode(data, code);
  }
  // Bit of the data, then of the code; the pad bits of the 256-byte code come last.
  void flip(std::uint32_t bit) {
    auto& byte = bit < data_bits ? data[bit / 8] : code[(bit - data_bits) / 8];
    byte = static_cast<std::uint8_t>(byte ^ (0x80u >> bit % 8));
  }
};

TEST_P(HammingShapes, EverySingleFlipOfDataAndCodeIsCorrected) {
  const Bytes right_data = data, right_code = code;
  for (std::uint32_t bit = 0; bit < hamming.code_bits(); ++bit) {
    flip(bit);
    ASSERT_EQ(hamming.decode(data, code), (Decoded{DecodeStatus::corrected, 1})) << bit;
    ASSERT_EQ(data, right_data);
    ASSERT_EQ(code, right_code);
  }
  EXPECT_EQ(hamming.decode(data, code), Decoded{});
}

TEST_P(HammingShapes, DoubleFlipsAreDetectedAndLeftAlone) {
  std::mt19937 random(5);
  for (int round = 0; round < 20'000; ++round) {
    const auto a = static_cast<std::uint32_t>(random() % hamming.code_bits());
    const auto b = static_cast<std::uint32_t>(random() % hamming.code_bits());
    if (a == b) continue;
    flip(a);
    flip(b);
    const Bytes read_data = data, read_code = code;
    ASSERT_EQ(hamming.decode(data, code).status, DecodeStatus::failed) << a << " " << b;
    ASSERT_EQ(data, read_data);
    ASSERT_EQ(code, read_code);
    flip(a);
    flip(b);
  }
}

// Why check_bits() is 12 or 13 and not 22 or 24: one bit of every pair is set by any odd number of flips.
TEST_P(HammingShapes, TripleFlipsOfTheDataAlwaysLookLikeOne) {
  std::mt19937 random(6);
  for (int round = 0; round < 1000; ++round) {
    const Bytes right = data;
    std::uint32_t at[3];
    for (auto& bit : at) bit = static_cast<std::uint32_t>(random() % data_bits);
    if (at[0] == at[1] || at[1] == at[2] || at[0] == at[2]) continue;
    for (const std::uint32_t bit : at) flip(bit);
    EXPECT_EQ(hamming.decode(data, code).status, DecodeStatus::corrected);
    EXPECT_NE(data, right);
    data = right;
  }
}

INSTANTIATE_TEST_SUITE_P(All, HammingShapes,
                         testing::Combine(testing::Values(256u, 512u),
                                          testing::Values(HammingOrder::high_line_first, HammingOrder::low_line_first)));

TEST(Hamming, PadBitsAreNeitherReadNorWritten) {
  const HammingCode hamming(256, HammingOrder::high_line_first);
  Bytes data(256, 0xA5), code(3);
  hamming.encode(data, code);
  EXPECT_EQ(code[2] & 3, 3);
  const Bytes right = code;
  for (const unsigned pad : {0u, 1u, 2u}) {
    code[2] = static_cast<std::uint8_t>((right[2] & 0xFC) | pad);
    EXPECT_EQ(hamming.decode(data, code).status, DecodeStatus::clean);
    code[0] ^= 0x10;
    EXPECT_EQ(hamming.decode(data, code).status, DecodeStatus::corrected);
    EXPECT_EQ(code[0], right[0]);
    EXPECT_EQ(code[2] & 3, pad);
  }
}

}  // namespace
}  // namespace steadycell::ecc
