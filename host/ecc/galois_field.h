#pragma once
#include <cstdint>
#include <vector>

#include "base/result.h"

namespace steadycell::ecc {

// GF(2^m) by logarithm tables, m 3..15, over a primitive polynomial given with its top bit (0x201b for m = 13).
class GaloisField {
 public:
  // bad_input_file when the polynomial's degree is not m or when it is not primitive.
  static Result<GaloisField> make(unsigned m, std::uint32_t polynomial);

  unsigned m() const { return m_; }
  std::uint32_t polynomial() const { return polynomial_; }
  std::uint32_t order() const { return order_; }  // 2^m - 1, the number of nonzero elements

  std::uint32_t power(std::uint32_t exponent) const { return antilog_[exponent]; }  // of the primitive element, 0 to 2 order()
  std::uint32_t log(std::uint32_t a) const { return log_[a]; }                               // a != 0
  std::uint32_t multiply(std::uint32_t a, std::uint32_t b) const {
    return a == 0 || b == 0 ? 0 : antilog_[log_[a] + log_[b]];
  }
  std::uint32_t divide(std::uint32_t a, std::uint32_t b) const {  // b != 0
    return a == 0 ? 0 : antilog_[log_[a] + order_ - log_[b]];
  }
  std::uint32_t square(std::uint32_t a) const { return a == 0 ? 0 : antilog_[2 * log_[a]]; }

 private:
  GaloisField(unsigned m, std::uint32_t polynomial);

  unsigned m_;
  std::uint32_t polynomial_, order_;
  std::vector<std::uint16_t> antilog_;  // two periods, so that sums of logarithms need no remainder
  std::vector<std::uint16_t> log_;
};

}  // namespace steadycell::ecc
