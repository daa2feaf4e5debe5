#pragma once
#include <cstdint>
#include <span>
#include <vector>

#include "base/bytes.h"
#include "ecc/galois_field.h"
#include "ecc/scheme.h"

// The algebra that prunes the search for binary BCH codes.
//
// The word of a narrow-sense BCH code that corrects t bits vanishes at a, a^3, .. a^(2t-1): its odd syndromes are zero, and
// with e wrong bits they follow a recurrence of length e (Massey 1969), so that Berlekamp's discrepancies are zero from
// number e + 1 to number t. A random word of GF(2^m) makes each of them zero with probability 2^-m. One run over the
// syndromes of a place thus tells whether any code lies there, and which t it has, without finding a single error.
//
// Syndromes are kept as sums over the bytes before a place, at exponents that fall from the first byte of the page:
// F_k(j) = sum over bytes i < k of B_i(a^j) a^(-8 i j). Any range is then a difference of two sums, to be moved by one
// multiplication, which changes neither which discrepancies are zero nor how many bits are wrong.
namespace steadycell::search {

using Syndromes = std::vector<std::uint16_t>;  // of j = 1, 3, 5, ..

class SyndromeTables {
 public:
  SyndromeTables(const ecc::GaloisField& field, unsigned most_t, ecc::BitOrder order);

  const ecc::GaloisField& field() const { return *field_; }
  unsigned most_t() const { return most_t_; }

  // Adds bytes to `sum` as if the first of them lay at byte `at` (negative: before the page).
  void add(std::span<std::uint16_t> sum, ByteSpan bytes, std::int64_t at) const;
  // sum(j) times a^(-8 bytes j): as if its bytes lay `bytes` further on.
  void move(std::span<std::uint16_t> sum, std::int64_t bytes) const;

 private:
  std::uint32_t exponent(unsigned k, std::int64_t bytes) const;  // of a^(-8 bytes j), j = 2k + 1

  const ecc::GaloisField* field_;
  unsigned most_t_;
  std::vector<std::uint16_t> byte_logs_;  // [byte][k]: log of the byte's own sum, kNone for 0
};

// F_k at chosen places of one page.
class PrefixSyndromes {
 public:
  // `places` ascending, each at most the page's size.
  PrefixSyndromes(const SyndromeTables& tables, ByteSpan page, std::span<const std::uint32_t> places);
  std::span<const std::uint16_t> at(std::size_t index) const { return std::span(sums_).subspan(index * width_, width_); }

 private:
  std::size_t width_;
  Syndromes sums_;
};

// A run of zero discrepancies: the code corrects `t` bits, `zeros` of which were not needed. zeros = 0: none.
struct Fit {
  unsigned t = 0, zeros = 0;
};

class FitFinder {
 public:
  FitFinder(const ecc::GaloisField& field, unsigned most_t);
  // The longest run that ends at a t of at most `most_t` (of those given).
  Fit find(std::span<const std::uint16_t> odd, unsigned most_t);

 private:
  std::uint32_t log(std::uint32_t value) const { return logs_[value]; }

  std::uint32_t order_;
  // Logarithms in which 0 has twice the order, and powers that are 0 from there on: a product is one sum and one look-up.
  std::vector<std::uint16_t> logs_, powers_;
  // Logarithms of the syndromes; of the locator its coefficients, too.
  std::vector<std::uint16_t> all_, locator_, locator_logs_, previous_, saved_;
};

}  // namespace steadycell::search
