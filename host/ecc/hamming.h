#pragma once
#include <cstdint>

#include "base/bytes.h"
#include "ecc/bch.h"

namespace steadycell::ecc {

// Which line parities the first code byte holds. The kernel's default puts L15..L8 first; SmartMedia swaps the bytes.
enum class HammingOrder : std::uint8_t { high_line_first, low_line_first };

inline constexpr std::uint32_t kHammingCodeBytes = 3;

// The Hamming code of single-level NAND: 3 bytes over 256 or 512 bytes; corrects one bit, detects two.
//
// Line parity P(2k+1) covers the bytes whose index has bit k set, P(2k) the others; column parities likewise over the bit
// index. Stored inverted, so that erased data has code FF FF FF. 256 bytes: 16 line and 6 column parities, the last byte ends
// in 11 (pad bits: neither looked at nor changed). 512 bytes use those two bits for the ninth line pair.
// Sources: ST AN1823, May 2004, for the principle; the exact bits for 256 bytes are those of the Linux kernel's software
// code, as the vectors in tests/data/kernel-nand show; for 512 bytes and for SmartMedia's order from memory.
class HammingCode {
 public:
  // data_bytes is 256 or 512.
  HammingCode(std::uint32_t data_bytes, HammingOrder order) : data_bytes_(data_bytes), order_(order) {}

  std::uint32_t data_bytes() const { return data_bytes_; }
  std::uint32_t code_bits() const { return data_bytes_ * 8 + parity_bits(); }
  std::uint32_t parity_bits() const { return data_bytes_ == 256 ? 22 : 24; }
  // The two parities of each pair add up to the parity of all data, so that a random error meets only one check a pair and
  // one more: 12 or 13. Three wrong bits of the data always look like one.
  std::uint32_t check_bits() const { return line_pairs() + 4; }

  void encode(ByteSpan data, MutableByteSpan code) const;
  // Corrects one wrong bit, of the data or of the code, in place; more is failed (three or more can look like one).
  Decoded decode(MutableByteSpan data, MutableByteSpan code) const;

 private:
  // Bit pairs, lowest first: bits 2k+1 and 2k as above, lines then columns.
  std::uint32_t parities(ByteSpan data) const;
  std::uint32_t load(ByteSpan code) const;
  void store(std::uint32_t parities, MutableByteSpan code) const;
  unsigned line_pairs() const { return data_bytes_ == 256 ? 8 : 9; }

  std::uint32_t data_bytes_;
  HammingOrder order_;
};

}  // namespace steadycell::ecc
