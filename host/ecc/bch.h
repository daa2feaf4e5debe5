#pragma once
#include <cstdint>
#include <memory>
#include <span>
#include <vector>

#include "base/bytes.h"
#include "base/result.h"
#include "ecc/galois_field.h"

namespace steadycell::ecc {

// Bits that a decoder changed: counted from the first bit of the data (most significant bit of byte 0) on through the
// parity bits behind it.
enum class DecodeStatus : std::uint8_t { clean, corrected, failed };
struct Decoded {
  DecodeStatus status = DecodeStatus::clean;
  std::uint32_t bits = 0;  // corrected
};

// A binary narrow-sense BCH code, shortened to whole bytes of data. The generator is the product of the different minimal
// polynomials of a, a^3, ..., a^(2t-1) (Lin and Costello, Error Control Coding, chapter on BCH codes; from memory).
//
// Bits go most significant first, byte 0 first, highest power first. The parity is the remainder of data times
// x^parity_bits, left-aligned in its bytes; the pad bits behind it are zero and carry no information.
class BchCode {
 public:
  // m 5..15, t 1..72, data at most what the code length leaves. Errors say which bound is broken (bad_input_file).
  static Result<BchCode> make(unsigned m, unsigned t, std::uint32_t polynomial, std::uint32_t data_bytes);
  BchCode(BchCode&&) noexcept;
  BchCode& operator=(BchCode&&) noexcept;
  ~BchCode();

  unsigned m() const;
  unsigned t() const;
  std::uint32_t data_bytes() const;
  std::uint32_t parity_bits() const;
  std::uint32_t parity_bytes() const;
  std::uint32_t code_bits() const { return data_bytes() * 8 + parity_bits(); }
  // Coefficients of the generator, most significant bit of byte 0 = highest power.
  const std::vector<std::uint8_t>& generator_bits() const;  // one coefficient (0 or 1) each, highest power first

  void encode(ByteSpan data, MutableByteSpan parity) const;
  // Corrects both in place when at most t bits are wrong; leaves both as they are when it fails. Pad bits of `parity` are
  // neither looked at nor changed. `positions` gets the corrected bits, ascending; it needs room for t.
  // Not thread-safe: it works in buffers of its own, so that nothing is allocated per codeword.
  Decoded decode(MutableByteSpan data, MutableByteSpan parity, std::span<std::uint32_t> positions = {});

 private:
  struct Inside;
  explicit BchCode(std::unique_ptr<Inside> inside);
  std::unique_ptr<Inside> inside_;
};

}  // namespace steadycell::ecc
