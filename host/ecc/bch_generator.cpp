#include <algorithm>

#include "ecc/bch_inside.h"

namespace steadycell::ecc {
namespace {

// Multiplies the polynomial `product` (coefficients, lowest power first) by the minimal polynomial of a^exponent.
void multiply_by_minimal_polynomial(const GaloisField& field, std::uint32_t exponent, std::vector<std::uint8_t>& product) {
  std::vector<std::uint32_t> minimal{1};  // over the field, lowest power first; its coefficients end up 0 or 1
  std::uint32_t conjugate = exponent;
  do {
    const std::uint32_t root = field.power(conjugate);
    minimal.push_back(0);
    for (std::size_t i = minimal.size(); i-- > 0;)
      minimal[i] = (i > 0 ? minimal[i - 1] : 0) ^ field.multiply(minimal[i], root);
    conjugate = conjugate * 2 % field.order();
  } while (conjugate != exponent);
  std::vector<std::uint8_t> out(product.size() + minimal.size() - 1);
  for (std::size_t i = 0; i < product.size(); ++i)
    for (std::size_t j = 0; j < minimal.size(); ++j)
      out[i + j] = static_cast<std::uint8_t>(out[i + j] ^ (product[i] & minimal[j]));
  product = std::move(out);
}

// The smallest exponent among the conjugates: tells whether a minimal polynomial is in the product already.
std::uint32_t coset_leader(const GaloisField& field, std::uint32_t exponent) {
  std::uint32_t leader = exponent, conjugate = exponent;
  do {
    conjugate = conjugate * 2 % field.order();
    leader = std::min(leader, conjugate);
  } while (conjugate != exponent);
  return leader;
}

}  // namespace

std::vector<std::uint8_t> bch_generator(const GaloisField& field, unsigned t) {
  std::vector<std::uint8_t> product{1};
  std::vector<std::uint32_t> leaders;
  for (std::uint32_t exponent = 1; exponent < 2 * t; exponent += 2) {
    const std::uint32_t leader = coset_leader(field, exponent);
    if (std::find(leaders.begin(), leaders.end(), leader) != leaders.end()) continue;
    leaders.push_back(leader);
    multiply_by_minimal_polynomial(field, exponent, product);
  }
  std::reverse(product.begin(), product.end());
  return product;
}

}  // namespace steadycell::ecc
