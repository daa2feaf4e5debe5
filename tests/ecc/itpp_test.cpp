// Against IT++ (Debian libitpp-dev), a general-purpose library for communications: its BCH class has full-length codes over
// its own field polynomials and takes bits highest power first, data in front.
#include <gtest/gtest.h>
#include <itpp/comm/bch.h>

#include <random>

#include "ecc/bch.h"

namespace steadycell::ecc {
namespace {

struct Shape {
  unsigned m, t, k;
};

class BchAgainstItpp : public testing::TestWithParam<Shape> {};

itpp::bvec bits_of(const BchCode& code, ByteSpan data, ByteSpan parity) {
  itpp::bvec bits(static_cast<int>(code.code_bits()));
  for (std::uint32_t i = 0; i < code.code_bits(); ++i) {
    const std::uint32_t bit = i < code.data_bits() ? i : i - code.data_bits();
    bits(static_cast<int>(i)) = itpp::bin((i < code.data_bits() ? data : parity)[bit / 8] >> (7 - bit % 8) & 1);
  }
  return bits;
}

TEST_P(BchAgainstItpp, EncodesAndDecodesAlike) {
  const auto [m, t, k] = GetParam();
  // The octal generators of IT++ are those of the primitive polynomials it uses for its fields.
  static constexpr std::uint32_t kPolynomials[] = {0x13, 0x25, 0x43, 0x89, 0x11D, 0x211, 0x409};
  itpp::BCH reference(static_cast<int>((1u << m) - 1), static_cast<int>(t), true);
  ASSERT_EQ(reference.get_k(), static_cast<int>(k));
  const auto code = BchCode::make({.m = m, .t = t, .polynomial = kPolynomials[m - 4], .data_bits = k});
  ASSERT_TRUE(code) << code.error().text();
  ASSERT_EQ(code->code_bits(), (1u << m) - 1);
  BchWorkspace workspace(*code);
  std::mt19937 random(3);
  for (unsigned errors = 0; errors <= t + 1; ++errors)
    for (int round = 0; round < 4; ++round) {
      Bytes data(code->data_bytes()), parity(code->parity_bytes());
      for (auto& byte : data) byte = static_cast<std::uint8_t>(random());
      code->encode(data, parity);
      const itpp::bvec right = bits_of(*code, data, parity);
      ASSERT_EQ(reference.encode(right.left(static_cast<int>(k))), right);

      for (unsigned i = 0; i < errors; ++i) {
        const std::uint32_t at = static_cast<std::uint32_t>(random() % code->code_bits());
        const std::uint32_t bit = at < k ? at : at - k;
        auto& byte = (at < k ? data : parity)[bit / 8];
        byte = static_cast<std::uint8_t>(byte ^ (0x80u >> bit % 8));
      }
      itpp::bvec message, valid;
      const bool decodes = reference.decode(bits_of(*code, data, parity), message, valid);
      const Decoded decoded = code->decode(data, parity, workspace);
      ASSERT_EQ(decoded.status != DecodeStatus::failed, decodes) << errors << " errors";
      if (decodes) {
        ASSERT_EQ(bits_of(*code, data, parity).left(static_cast<int>(k)), message);
      }
    }
}

INSTANTIATE_TEST_SUITE_P(FullLength, BchAgainstItpp,
                         testing::Values(Shape{4, 1, 11}, Shape{4, 2, 7}, Shape{4, 3, 5}, Shape{5, 2, 21}, Shape{5, 3, 16}, Shape{6, 3, 45},
                                         Shape{6, 6, 30}, Shape{7, 2, 113}, Shape{8, 4, 223}, Shape{8, 8, 191}, Shape{9, 4, 475}));

}  // namespace
}  // namespace steadycell::ecc
