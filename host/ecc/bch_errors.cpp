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
    : odd((t + 31) / 32 * 8), syndromes(2 * t + 1), locator(2 * t + 2), previous(2 * t + 2), saved(2 * t + 2) {
  roots.reserve(t);
}

bool BchWorkspace::Inside::make_syndromes(const BchCode::Inside& code, const Remainder& r) {
  std::fill(odd.begin(), odd.end(), 0);
  if (code.path == BchPath::avx512) avx512::add_columns(code, r, odd.data());
  for (std::size_t word = code.path == BchPath::avx512 ? code.words : 0; word < code.words; ++word)
    for (std::uint64_t left = r[word]; left != 0;) {
      const unsigned bit = static_cast<unsigned>(std::countl_zero(left));
      left ^= 1ull << (63 - bit);
      const std::uint64_t* column = &code.odd_syndromes[(word * 64 + bit) * code.odd_words];
      for (std::size_t i = 0; i < code.odd_words; ++i) odd[i] ^= column[i];
    }
  for (unsigned k = 0; k < code.shape.t; ++k) syndromes[2 * k + 1] = static_cast<std::uint16_t>(odd[k / 4] >> (16 * (k % 4)));
  // S_2j = S_j^2, since the word's coefficients are 0 or 1.
  for (unsigned j = 1; j <= code.shape.t; ++j) syndromes[2 * j] = static_cast<std::uint16_t>(code.field.square(syndromes[j]));
  return std::any_of(odd.begin(), odd.end(), [](std::uint64_t word) { return word != 0; });
}

// Massey, IEEE Trans. Information Theory 15 (1969), in the form for binary codes that steps over the even syndromes, whose
// discrepancies are zero (Berlekamp, Algebraic Coding Theory, 1968; both from memory).
unsigned BchWorkspace::Inside::find_locator(const BchCode::Inside& code) {
  if (code.path == BchPath::avx512) return avx512::find_locator(code, *this);
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

bool BchWorkspace::Inside::mark(const BchCode::Inside& code, std::uint32_t x) {
  if (x == 0 || code.field.log(x) >= code.code_bits()) return false;
  roots.push_back(code.field.log(x));
  return true;
}

bool BchWorkspace::Inside::solve_rest(const BchCode::Inside& code, unsigned degree, std::uint32_t searched) {
  // Horner's scheme, once for each known root. The coefficients of what is left follow from as many of the reversed locator's
  // first ones.
  degree -= static_cast<unsigned>(roots.size());
  for (const std::uint32_t power : roots)
    for (unsigned i = 1; i <= degree; ++i) {
      const std::uint32_t above = locator[i - 1];
      if (above != 0) locator[i] = static_cast<std::uint16_t>(locator[i] ^ code.field.power(power + code.field.log(above)));
    }
  std::uint32_t found[4];
  if (!code.equations.roots(locator.data(), degree, found)) return false;
  for (unsigned i = 0; i < degree; ++i)
    if (!mark(code, found[i]) || roots.back() < searched) return false;  // what was found already is a multiple root
  return true;
}

// The locator is the product of (1 - X x) over the errors' X = a^power.
bool BchWorkspace::Inside::find_roots(const BchCode::Inside& code, unsigned degree) {
  roots.clear();
  if (degree <= 4) return solve_rest(code, degree, 0);
  if (code.path == BchPath::avx512) return avx512::search_roots(code, *this, degree);
  return split_by_traces(code, degree);
}

}  // namespace steadycell::ecc
