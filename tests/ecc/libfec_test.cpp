// Reed-Solomon against libfec (Debian libfec-dev), a general-purpose library for forward error correction: it has every symbol
// width, field polynomial and first root, shortened codes too, first symbol at the highest power.
extern "C" {
#include <fec.h>
}

#include <gtest/gtest.h>

#include <memory>
#include <random>

#include "ecc/reed_solomon.h"

namespace steadycell::ecc {
namespace {

struct LibfecCode {
  unsigned symbol_bits;
  std::uint32_t polynomial;
  unsigned t, first_root;
  std::uint32_t data_symbols;  // 0: as many as the field allows
};

class ReedSolomonAgainstLibfec : public testing::TestWithParam<LibfecCode> {};

std::vector<unsigned> symbols_for_libfec(ByteSpan bytes, unsigned width, std::size_t count) {
  std::vector<unsigned> symbols(count, 0);
  for (std::size_t i = 0; i < count * width; ++i)
    symbols[i / width] = symbols[i / width] << 1 | (unsigned{bytes[i / 8]} >> (7 - i % 8) & 1u);
  return symbols;
}

void flip(Bytes& bytes, std::size_t bit) { bytes[bit / 8] = static_cast<std::uint8_t>(bytes[bit / 8] ^ (0x80u >> bit % 8)); }

TEST_P(ReedSolomonAgainstLibfec, EncodesAndDecodesAlike) {
  const auto [m, polynomial, t, first_root, shortened] = GetParam();
  const std::uint32_t order = (1u << m) - 1, data_symbols = shortened ? shortened : order - 2 * t;
  const auto code = ReedSolomonCode::make(
      {.symbol_bits = m, .t = t, .polynomial = polynomial, .first_root = first_root, .data_bits = data_symbols * m});
  ASSERT_TRUE(code) << code.error().text();
  const std::unique_ptr<void, void (*)(void*)> reference(
      init_rs_int(static_cast<int>(m), static_cast<int>(polynomial), static_cast<int>(first_root), 1, static_cast<int>(2 * t),
                  static_cast<int>(order - data_symbols - 2 * t)),
      free_rs_int);
  ASSERT_TRUE(reference);
  ReedSolomonWorkspace workspace(*code);
  std::mt19937 random(m * 1000 + t);
  const auto word_of = [&, m = m, t = t](const Bytes& data, const Bytes& parity) {
    std::vector<unsigned> word = symbols_for_libfec(data, m, data_symbols), tail = symbols_for_libfec(parity, m, 2 * t);
    word.insert(word.end(), tail.begin(), tail.end());
    return word;
  };
  // Beyond t a shortened code's nearest codeword may have errors in symbols that are not stored; libfec does not look there.
  const unsigned most = shortened ? t : t + 2;
  for (unsigned errors = 0; errors <= most; ++errors)
    for (int round = 0; round < 10; ++round) {
      Bytes data(code->data_bytes()), parity(code->parity_bytes());
      for (std::size_t bit = 0; bit < std::size_t{data_symbols} * m; ++bit)
        if (random() & 1u) flip(data, bit);
      code->encode(data, parity);
      std::vector<unsigned> word = word_of(data, parity), parity_there(2 * t);
      encode_rs_int(reference.get(), word.data(), parity_there.data());
      ASSERT_EQ(std::vector<unsigned>(word.end() - 2 * t, word.end()), parity_there);

      for (unsigned i = 0; i < errors; ++i) {
        const std::size_t symbol = random() % code->code_symbols(), bit = symbol * m + random() % m;
        const std::size_t behind = std::size_t{data_symbols} * m;
        bit < behind ? flip(data, bit) : flip(parity, bit - behind);
      }
      word = word_of(data, parity);
      const int corrected = decode_rs_int(reference.get(), word.data(), nullptr, 0);
      const ReedSolomonDecoded decoded = code->decode(data, parity, workspace);
      ASSERT_EQ(decoded.status == DecodeStatus::failed, corrected < 0) << errors << " errors";
      if (corrected < 0) continue;
      ASSERT_EQ(decoded.symbols, static_cast<std::uint32_t>(corrected));
      ASSERT_EQ(word_of(data, parity), word);
    }
}

// 9 and 10 bits over 512 bytes (456 and 410 symbols), 4 and more symbols corrected: as older controllers used them (common
// practice, no source).
INSTANTIATE_TEST_SUITE_P(Shapes, ReedSolomonAgainstLibfec,
                         testing::Values(LibfecCode{9, 0x211, 4, 0, 456}, LibfecCode{9, 0x211, 4, 1, 456}, LibfecCode{10, 0x409, 4, 0, 410},
                                         LibfecCode{10, 0x409, 4, 1, 410}, LibfecCode{10, 0x409, 8, 1, 412}, LibfecCode{9, 0x211, 4, 1, 0},
                                         LibfecCode{10, 0x409, 4, 0, 0}, LibfecCode{8, 0x11D, 1, 0, 0}, LibfecCode{8, 0x11D, 16, 1, 0},
                                         LibfecCode{11, 0x805, 5, 3, 0}, LibfecCode{12, 0x1053, 3, 1, 0},
                                         LibfecCode{12, 0x1053, 72, 0, 1024}));

}  // namespace
}  // namespace steadycell::ecc
