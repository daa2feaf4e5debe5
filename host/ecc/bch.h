#pragma once
#include <cstdint>
#include <memory>
#include <span>
#include <vector>

#include "base/bytes.h"
#include "base/result.h"

namespace steadycell::ecc {

enum class DecodeStatus : std::uint8_t { clean, corrected, failed };

struct Decoded {
  DecodeStatus status = DecodeStatus::clean;
  std::uint32_t bits = 0;  // corrected
  friend bool operator==(const Decoded&, const Decoded&) = default;
};

// Which BCH code. Nothing here is trusted: it may come from a file.
struct BchShape {
  unsigned m = 0;                // the field is GF(2^m), 4..15; a full code has 2^m - 1 bits
  unsigned t = 0;                // bits corrected, 1..72
  std::uint32_t polynomial = 0;  // primitive, with its top bit: 0x201b for m = 13
  std::uint32_t data_bits = 0;   // what the shortened code protects, at least 1
};

// Which instructions a code works with. All give the same answers, bit for bit.
enum class BchPath : std::uint8_t {
  portable,  // any processor
  avx2,      // x86-64 with AVX2 and PCLMULQDQ
  avx512,    // x86-64 with AVX-512 (F, BW, DQ, VL, VBMI), VPCLMULQDQ and GFNI
};
// Those that this processor has, the fastest last; never empty.
std::span<const BchPath> bch_paths();
const char* name_of(BchPath path);

class BchCode;

// Where a decoder works, so that nothing is allocated per codeword. One per thread, for any number of codewords.
class BchWorkspace {
 public:
  explicit BchWorkspace(const BchCode& code);
  BchWorkspace(BchWorkspace&&) noexcept;
  BchWorkspace& operator=(BchWorkspace&&) noexcept;
  ~BchWorkspace();

  struct Inside;  // of this room

 private:
  friend class BchCode;
  std::unique_ptr<Inside> inside_;
};

// A binary narrow-sense BCH code, shortened. The generator is the product of the different minimal polynomials of a, a^3, ...,
// a^(2t-1) (Lin and Costello, Error Control Coding, chapter on BCH codes; from memory).
//
// Bits go most significant first, byte 0 first, highest power first. The parity is the remainder of data times
// x^parity_bits, left-aligned in its bytes. Bits that fill up the last byte of data or parity (pad bits) are no part of the
// code: encode() makes those of the parity zero, decode() neither looks at them nor changes them.
//
// Constant once made: threads may share one, each with a workspace of its own.
class BchCode {
 public:
  // Errors (bad_input_file) say which bound is broken, or why the polynomial is not primitive.
  static Result<BchCode> make(const BchShape& shape) { return make(shape, bch_paths().back()); }
  // On one of bch_paths(), for tests and benchmarks.
  static Result<BchCode> make(const BchShape& shape, BchPath path);

  BchPath path() const;
  unsigned m() const;
  unsigned t() const;
  std::uint32_t data_bits() const;
  std::uint32_t data_bytes() const { return (data_bits() + 7) / 8; }
  std::uint32_t parity_bits() const;  // m t, or less where minimal polynomials coincide
  std::uint32_t parity_bytes() const { return (parity_bits() + 7) / 8; }
  std::uint32_t code_bits() const { return data_bits() + parity_bits(); }
  // One coefficient (0 or 1) an entry, highest power first: parity_bits() + 1 of them.
  std::span<const std::uint8_t> generator() const;

  void encode(ByteSpan data, MutableByteSpan parity) const;

  // Corrects data and parity in place when some codeword differs from them in at most t bits, else leaves both as they are.
  // `positions`, empty or with room for t, gets the corrected bits in ascending order: 0 is the first bit of the data,
  // data_bits() the first of the parity.
  Decoded decode(MutableByteSpan data, MutableByteSpan parity, BchWorkspace& workspace,
                 std::span<std::uint32_t> positions = {}) const;

  struct Inside;  // of this room

 private:
  explicit BchCode(std::shared_ptr<const Inside> inside) : inside_(std::move(inside)) {}
  std::shared_ptr<const Inside> inside_;
};

}  // namespace steadycell::ecc
