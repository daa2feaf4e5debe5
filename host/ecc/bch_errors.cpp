// From a remainder that is not zero to the places of the errors.
#include <algorithm>
#include <bit>

#include "ecc/bch_inside.h"

namespace steadycell::ecc {

BchWorkspace::BchWorkspace(const BchCode& code) : inside_(std::make_unique<Inside>(code.t())) {}
BchWorkspace::BchWorkspace(BchWorkspace&&) noexcept = default;
BchWorkspace& BchWorkspace::operator=(BchWorkspace&&) noexcept = default;
BchWorkspace::~BchWorkspace() = default;

BchWorkspace::Inside::Inside(unsigned t)
    : odd((t + 3) / 4), syndromes(2 * t + 1), locator(2 * t + 2), previous(2 * t + 2), saved(2 * t + 2), terms(t + 1) {
  roots.reserve(t);
}

bool BchWorkspace::Inside::make_syndromes(const BchCode::Inside& code, const Remainder& r) {
  std::fill(odd.begin(), odd.end(), 0);
  for (std::size_t word = 0; word < code.words; ++word)
    for (std::uint64_t left = r[word]; left != 0;) {
      const unsigned bit = static_cast<unsigned>(std::countl_zero(left));
      left ^= 1ull << (63 - bit);
      const std::uint64_t* column = &code.odd_syndromes[(word * 64 + bit) * code.odd_words];
      for (std::size_t i = 0; i < odd.size(); ++i) odd[i] ^= column[i];
    }
  for (unsigned k = 0; k < code.shape.t; ++k) syndromes[2 * k + 1] = static_cast<std::uint16_t>(odd[k / 4] >> (16 * (k % 4)));
  // S_2j = S_j^2, since the word's coefficients are 0 or 1.
  for (unsigned j = 1; j <= code.shape.t; ++j) syndromes[2 * j] = static_cast<std::uint16_t>(code.field.square(syndromes[j]));
  return std::any_of(odd.begin(), odd.end(), [](std::uint64_t word) { return word != 0; });
}

// Massey, IEEE Trans. Information Theory 15 (1969), in the form for binary codes that steps over the even syndromes, whose
// discrepancies are zero (Berlekamp, Algebraic Coding Theory, 1968; both from memory).
unsigned BchWorkspace::Inside::find_locator(const BchCode::Inside& code) {
  const GaloisField& field = code.field;
  const unsigned t = code.shape.t;
  std::fill(locator.begin(), locator.end(), 0);
  std::fill(previous.begin(), previous.end(), 0);
  locator[0] = previous[0] = 1;
  unsigned length = 0, gap = 1;  // of the shift register; steps since `previous` was the locator
  std::uint32_t previous_discrepancy = 1;
  for (unsigned n = 0; n < 2 * t; n += 2) {
    std::uint32_t discrepancy = syndromes[n + 1];
    for (unsigned i = 1; i <= std::min(length, n); ++i) discrepancy ^= field.multiply(locator[i], syndromes[n + 1 - i]);
    if (discrepancy == 0) {
      gap += 2;
      continue;
    }
    const std::uint32_t factor = field.divide(discrepancy, previous_discrepancy);
    const bool longer = 2 * length <= n;
    if (longer) saved = locator;
    for (std::size_t i = gap; i < locator.size(); ++i)
      locator[i] = static_cast<std::uint16_t>(locator[i] ^ field.multiply(factor, previous[i - gap]));
    if (longer) {
      length = n + 1 - length;
      previous = saved;
      previous_discrepancy = discrepancy;
      gap = 2;
    } else {
      gap += 2;
    }
  }
  return length <= t && locator[length] != 0 ? length : 0;
}

// The locator is the product of (1 - X x) over the errors' X = a^power.
bool BchWorkspace::Inside::find_roots(const BchCode::Inside& code, unsigned degree) {
  const GaloisField& field = code.field;
  roots.clear();
  const auto mark = [&](std::uint32_t power) {
    if (power < code.code_bits()) roots.push_back(power);
    return power < code.code_bits();
  };
  if (degree == 1) return mark(field.log(locator[1]));
  if (degree == 2) {
    // X1 + X2 = l1, X1 X2 = l2: with X = l1 y, y^2 + y = l2 / l1^2.
    std::uint32_t y = 0;
    if (locator[1] == 0 || !code.solve_quadratic(field.divide(locator[2], field.square(locator[1])), y)) return false;
    const std::uint32_t x1 = field.multiply(locator[1], y), x2 = x1 ^ locator[1];
    return x1 != 0 && x2 != 0 && mark(field.log(x1)) && mark(field.log(x2));
  }
  // Chien search (IEEE Trans. Information Theory 10, 1964; from memory): term i of the locator at a^-power is multiplied by
  // a^-i from one power to the next; kept as logarithms.
  std::uint32_t* const term = terms.data();
  for (unsigned i = 1; i <= degree; ++i) term[i] = locator[i] == 0 ? 0 : field.log(locator[i]);
  for (std::uint32_t power = 0; power < code.code_bits() && roots.size() < degree; ++power) {
    std::uint32_t sum = 1;
    for (unsigned i = 1; i <= degree; ++i) {
      if (locator[i] == 0) continue;
      sum ^= field.power(term[i]);
      term[i] = term[i] >= i ? term[i] - i : term[i] + field.order() - i;
    }
    if (sum == 0) mark(power);
  }
  return roots.size() == degree;
}

}  // namespace steadycell::ecc
