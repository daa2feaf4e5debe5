#pragma once
#include <cstdint>
#include <vector>

#include "base/bytes.h"
#include "base/result.h"
#include "ecc/bch.h"
#include "ecc/galois_field.h"

namespace steadycell::ecc {

// Which Reed-Solomon code. Nothing here is trusted: it may come from a file.
struct ReedSolomonShape {
  unsigned symbol_bits = 0;      // of the field GF(2^symbol_bits), 8..12
  unsigned t = 0;                // symbols corrected, 1..72
  std::uint32_t polynomial = 0;  // primitive, with its top bit: 0x211 for 9 bits
  std::uint32_t first_root = 0;  // the generator's roots are a^first_root .. a^(first_root + 2t - 1)
  std::uint32_t data_bits = 0;   // what the shortened code protects, at least 1
};

class ReedSolomonCode;

// Where a decoder works, so that nothing is allocated per codeword. One per thread.
struct ReedSolomonWorkspace {
  explicit ReedSolomonWorkspace(const ReedSolomonCode& code);
  std::vector<std::uint16_t> symbols, syndromes, locator, previous, saved, evaluator;
  std::vector<std::uint32_t> places;  // powers of x at which symbols are wrong
};

struct ReedSolomonDecoded {
  DecodeStatus status = DecodeStatus::clean;
  std::uint32_t symbols = 0, bits = 0;  // corrected
  friend bool operator==(const ReedSolomonDecoded&, const ReedSolomonDecoded&) = default;
};

// A shortened systematic Reed-Solomon code, generator (x - a^b)(x - a^(b+1)) .. (x - a^(b+2t-1)) with b = first_root
// (Reed and Solomon, J. SIAM 8, 1960; Lin and Costello, Error Control Coding; from memory).
//
// Bits go most significant first, byte 0 first, into symbols of `symbol_bits` bits, the first symbol at the highest power.
// The last data symbol is filled up with zero bits, which are not stored; the 2t parity symbols follow in bytes of
// their own, left-aligned. Pad bits behind them are no part of the code: encode() makes them zero, decode() neither looks
// at them nor changes them.
//
// Constant once made: threads may share one, each with a workspace of its own.
class ReedSolomonCode {
 public:
  // Errors (bad_input_file) say which bound is broken, or why the polynomial is not primitive.
  static Result<ReedSolomonCode> make(const ReedSolomonShape& shape);

  const ReedSolomonShape& shape() const { return shape_; }
  unsigned t() const { return shape_.t; }
  unsigned symbol_bits() const { return shape_.symbol_bits; }
  std::uint32_t data_symbols() const { return (shape_.data_bits + shape_.symbol_bits - 1) / shape_.symbol_bits; }
  std::uint32_t parity_symbols() const { return 2 * shape_.t; }
  std::uint32_t code_symbols() const { return data_symbols() + parity_symbols(); }
  std::uint32_t data_bytes() const { return (shape_.data_bits + 7) / 8; }
  std::uint32_t parity_bits() const { return parity_symbols() * shape_.symbol_bits; }
  std::uint32_t parity_bytes() const { return (parity_bits() + 7) / 8; }
  std::uint32_t code_bits() const { return shape_.data_bits + parity_bits(); }
  // Coefficients, highest power first: parity_symbols() + 1 of them, the first is 1.
  const std::vector<std::uint16_t>& generator() const { return generator_; }

  void encode(ByteSpan data, MutableByteSpan parity) const;
  // Corrects data and parity in place when some codeword differs from them in at most t symbols, else leaves both as they
  // are.
  ReedSolomonDecoded decode(MutableByteSpan data, MutableByteSpan parity, ReedSolomonWorkspace& workspace) const;

 private:
  ReedSolomonCode(GaloisField field, const ReedSolomonShape& shape);
  bool find_syndromes(ReedSolomonWorkspace& work) const;    // false when all are zero
  unsigned find_locator(ReedSolomonWorkspace& work) const;  // its degree, 0 when there is none of at most t
  bool find_places(ReedSolomonWorkspace& work, unsigned degree) const;
  // What is wrong at x = a^place.
  std::uint32_t error_at(const ReedSolomonWorkspace& work, std::uint32_t place, unsigned degree) const;

  GaloisField field_;
  ReedSolomonShape shape_;
  std::vector<std::uint16_t> generator_;
};

}  // namespace steadycell::ecc
