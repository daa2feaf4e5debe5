#pragma once
#include <algorithm>
#include <cstdint>
#include <optional>
#include <vector>

#include "base/bytes.h"
#include "ecc/bch.h"
#include "ecc/galois_field.h"

// A BCH decoder step by step as textbooks have it, on field tables and no other part of the product: fast enough to judge
// thousands of large words. Syndromes by Horner's scheme, Massey's algorithm with every step, every place tried.
namespace steadycell::ecc::direct {

// Places of the errors (0 the first bit of the data), or nothing when no codeword lies within t.
inline std::optional<std::vector<std::uint32_t>> decode(const GaloisField& field, const BchCode& code, ByteSpan data, ByteSpan parity) {
  const std::uint32_t bits = code.code_bits();
  const unsigned steps = 2 * code.t();
  std::vector<std::uint32_t> s(steps);
  for (std::uint32_t i = 0; i < bits; ++i) {
    const std::uint32_t at = i < code.data_bits() ? i : i - code.data_bits();
    if (((i < code.data_bits() ? data : parity)[at / 8] >> (7 - at % 8) & 1) == 0) continue;
    for (unsigned j = 1; j <= steps; ++j)
      s[j - 1] ^= field.power(static_cast<std::uint32_t>(std::uint64_t{bits - 1 - i} * j % field.order()));
  }
  std::vector<std::uint32_t> locator(steps + 2), previous(steps + 2);
  locator[0] = previous[0] = 1;
  unsigned length = 0, gap = 1;
  std::uint32_t last = 1;
  for (unsigned n = 0; n < steps; ++n, ++gap) {
    std::uint32_t discrepancy = 0;
    for (unsigned i = 0; i <= length && i <= n; ++i) discrepancy ^= field.multiply(locator[i], s[n - i]);
    if (discrepancy == 0) continue;
    const auto before = locator;
    for (unsigned i = gap; i < locator.size(); ++i)
      locator[i] ^= field.multiply(field.divide(discrepancy, last), previous[i - gap]);
    if (2 * length > n) continue;
    length = n + 1 - length;
    previous = before;
    last = discrepancy;
    gap = 0;
  }
  std::vector<std::uint32_t> places;
  if (length > code.t()) return std::nullopt;
  for (std::uint32_t i = 0; i < bits && length > 0; ++i) {
    const std::uint32_t x = field.power(field.order() - (bits - 1 - i) % field.order());
    std::uint32_t value = 0;
    for (unsigned k = length + 1; k-- > 0;) value = field.multiply(value, x) ^ locator[k];
    if (value == 0) places.push_back(i);
  }
  if (places.size() != length) return std::nullopt;
  return places;
}

}  // namespace steadycell::ecc::direct
