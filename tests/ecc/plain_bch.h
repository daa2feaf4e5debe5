#pragma once
#include <cstdint>
#include <map>
#include <optional>
#include <span>
#include <vector>

#include "base/bytes.h"
#include "ecc/bch.h"

// What a BCH code means, written bit by bit and without a table or a trick of the product: the reference of its tests.
namespace steadycell::ecc::plain {

// GF(2^m) by shift and add.
struct Field {
  unsigned m;
  std::uint32_t polynomial;

  std::uint32_t multiply(std::uint32_t a, std::uint32_t b) const {
    std::uint32_t product = 0;
    for (unsigned i = m; i-- > 0;) {
      product <<= 1;
      if (product >> m) product ^= polynomial;
      if (b >> i & 1u) product ^= a;
    }
    return product;
  }
  std::uint32_t power(std::uint32_t a, std::uint64_t exponent) const {
    std::uint32_t result = 1;
    for (; exponent > 0; exponent >>= 1, a = multiply(a, a))
      if (exponent & 1) result = multiply(result, a);
    return result;
  }
  std::uint32_t inverse(std::uint32_t a) const { return power(a, (1ull << m) - 2); }
};

// One bit an entry, highest power first.
using Bits = std::vector<std::uint8_t>;

inline Bits bits_of(ByteSpan bytes, std::size_t count) {
  Bits bits(count);
  for (std::size_t i = 0; i < count; ++i) bits[i] = bytes[i / 8] >> (7 - i % 8) & 1;
  return bits;
}

inline Bits word_of(ByteSpan data, std::size_t data_bits, ByteSpan parity, std::size_t parity_bits) {
  Bits word = bits_of(data, data_bits), tail = bits_of(parity, parity_bits);
  word.insert(word.end(), tail.begin(), tail.end());
  return word;
}

inline std::uint32_t syndrome(const Field& field, const Bits& word, unsigned j) {
  std::uint32_t sum = 0;
  const std::uint32_t root = field.power(2, j);
  for (const std::uint8_t bit : word) sum = field.multiply(sum, root) ^ bit;
  return sum;
}

// Peterson's decoder (from memory): for v = t, t-1, ... solve the v Newton equations for the locator; the first system that
// is regular (by elimination) gives it. Then every position is tried. Places of the errors, or nothing.
inline std::optional<std::vector<std::uint32_t>> decode(const BchShape& shape, const Bits& word) {
  const Field field{shape.m, shape.polynomial};
  std::vector<std::uint32_t> s(2 * shape.t + 1);
  bool zero = true;
  for (unsigned j = 1; j <= 2 * shape.t; ++j) {
    s[j] = syndrome(field, word, j);
    zero = zero && s[j] == 0;
  }
  std::vector<std::uint32_t> places;
  if (zero) return places;
  for (unsigned v = shape.t; v >= 1; --v) {
    // sum over k = 1..v of locator[k] s[i + v - k] = s[i + v], i = 1..v
    std::vector<std::vector<std::uint32_t>> rows(v, std::vector<std::uint32_t>(v + 1));
    for (unsigned i = 1; i <= v; ++i) {
      for (unsigned k = 1; k <= v; ++k) rows[i - 1][k - 1] = s[i + v - k];
      rows[i - 1][v] = s[i + v];
    }
    bool regular = true;
    for (unsigned column = 0; column < v && regular; ++column) {
      unsigned pivot = column;
      while (pivot < v && rows[pivot][column] == 0) ++pivot;
      regular = pivot < v;
      if (!regular) break;
      std::swap(rows[pivot], rows[column]);
      const std::uint32_t scale = field.inverse(rows[column][column]);
      for (auto& value : rows[column]) value = field.multiply(value, scale);
      for (unsigned other = 0; other < v; ++other) {
        if (other == column || rows[other][column] == 0) continue;
        const std::uint32_t factor = rows[other][column];
        for (unsigned k = 0; k <= v; ++k) rows[other][k] ^= field.multiply(factor, rows[column][k]);
      }
    }
    if (!regular) continue;
    for (std::uint32_t at = 0; at < word.size(); ++at) {
      const std::uint32_t x = field.inverse(field.power(2, word.size() - 1 - at));
      std::uint32_t value = 0;
      for (unsigned k = v; k >= 1; --k) value = field.multiply(value ^ rows[k - 1][v], x);
      if ((value ^ 1u) == 0) places.push_back(at);
    }
    // Bounded-distance decoding: the corrected word must be a codeword.
    Bits corrected = word;
    for (const std::uint32_t at : places) corrected[at] ^= 1;
    for (unsigned j = 1; j <= 2 * shape.t; ++j)
      if (syndrome(field, corrected, j) != 0) return std::nullopt;
    return places;
  }
  return std::nullopt;
}

}  // namespace steadycell::ecc::plain
