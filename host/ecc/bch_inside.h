#pragma once
#include <array>
#include <cstdint>
#include <vector>

#include "ecc/bch.h"
#include "ecc/galois_field.h"

// What a BchCode is made of; for the .cpp files of this room only.
namespace steadycell::ecc {

inline constexpr unsigned kMaxBchT = 72;
inline constexpr std::size_t kRemainderWords = (15 * kMaxBchT + 63) / 64;
// A remainder modulo the generator: bit 63 of word 0 is its highest power.
using Remainder = std::array<std::uint64_t, kRemainderWords>;

// The generator's coefficients, highest power first.
std::vector<std::uint8_t> bch_generator(const GaloisField& field, unsigned t);

struct BchCode::Inside {
  Inside(GaloisField field_, const BchShape& shape_, std::vector<std::uint8_t> generator_);

  GaloisField field;
  BchShape shape;
  std::vector<std::uint8_t> generator;
  std::uint32_t parity_bits;
  std::size_t words;                        // in use of a Remainder
  std::vector<Remainder> byte_step;         // [byte]: byte times x^parity_bits modulo the generator
  std::size_t odd_words;                    // 64-bit words that hold the t odd syndromes, 16 bits each
  std::vector<std::uint64_t> odd_syndromes; // [bit of the remainder][odd_words]: what that bit alone gives
  std::vector<std::uint16_t> half;          // [i]: y with y^2 + y = b_i, see solve_quadratic()
  std::vector<std::uint16_t> half_of;       // [i]: b_i, in echelon form by its top bit

  std::uint32_t code_bits() const { return shape.data_bits + parity_bits; }
  Remainder remainder(ByteSpan data) const;  // of data times x^parity_bits
  void subtract_parity(Remainder& r, ByteSpan parity) const;

  // y with y^2 + y = c; the other solution is y + 1. False when there is none in the field.
  bool solve_quadratic(std::uint32_t c, std::uint32_t& y) const;

 private:
  void make_byte_step();
  void make_odd_syndromes();
  void make_half();
};

struct BchWorkspace::Inside {
  explicit Inside(unsigned t);

  // S_1 .. S_2t at their own index; false when all are zero.
  bool make_syndromes(const BchCode::Inside& code, const Remainder& r);
  // Berlekamp-Massey. The locator's coefficients are left in `locator`; returns its degree, or 0 when it is none of at most t.
  unsigned find_locator(const BchCode::Inside& code);
  // Powers of x at which the errors are, into `roots`; false unless the locator has as many different ones inside the code.
  bool find_roots(const BchCode::Inside& code, unsigned degree);

  std::vector<std::uint64_t> odd;
  std::vector<std::uint16_t> syndromes, locator, previous, saved;
  std::vector<std::uint32_t> terms, roots;
};

}  // namespace steadycell::ecc
