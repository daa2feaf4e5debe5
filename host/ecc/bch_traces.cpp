// Roots of a polynomial over GF(2^m) without trying elements: the trace of b x is 0 or 1 for every x, so that its greatest
// common divisors with the polynomial split the roots in two (Berlekamp, Factoring polynomials over large finite fields,
// Math. Comp. 24, 1970; for decoders: Biswas and Herbert, Efficient root finding of polynomials over fields of characteristic
// 2, WEWoRC 2009; both from memory).
#include <algorithm>

#include "ecc/bch_inside.h"

namespace steadycell::ecc {
namespace {

// Polynomials here have their lowest coefficient first, and their degree beside them.
unsigned degree_of(const std::uint16_t* a, unsigned at_most) {
  while (at_most > 0 && a[at_most] == 0) --at_most;
  return at_most;
}

// Leaves a modulo the monic f in a[0 .. degree - 1]; the quotient, if wanted, in a[degree ..].
void divide(const GaloisField& field, std::uint16_t* a, unsigned top, const std::uint16_t* f, unsigned degree) {
  for (unsigned k = top + 1; k-- > degree;) {
    if (a[k] == 0) continue;
    const std::uint32_t log = field.log(a[k]);
    for (unsigned i = 0; i < degree; ++i)
      if (f[i] != 0) a[k - degree + i] = static_cast<std::uint16_t>(a[k - degree + i] ^ field.power(log + field.log(f[i])));
  }
}

void make_monic(const GaloisField& field, std::uint16_t* a, unsigned degree) {
  const std::uint32_t top = a[degree];
  for (unsigned i = 0; i <= degree; ++i) a[i] = static_cast<std::uint16_t>(field.divide(a[i], top));
}

}  // namespace

// The trace of a^exponent x modulo f, into `trace`. False when f has other factors than different x - root.
bool BchWorkspace::Inside::make_trace(const GaloisField& field, const std::uint16_t* f, unsigned degree, unsigned exponent) {
  square.fill(0);
  trace.fill(0);
  square[1] = static_cast<std::uint16_t>(field.power(exponent));
  const std::uint16_t first = square[1];
  for (unsigned round = 0; round < field.m(); ++round) {
    for (unsigned i = 0; i < degree; ++i) trace[i] = static_cast<std::uint16_t>(trace[i] ^ square[i]);
    for (unsigned i = degree; i-- > 0;) {
      square[2 * i] = static_cast<std::uint16_t>(field.square(square[i]));
      if (i > 0) square[2 * i - 1] = 0;
    }
    divide(field, square.data(), 2 * degree - 2, f, degree);
    std::fill(square.begin() + degree, square.begin() + 2 * degree, std::uint16_t{0});
  }
  // (b x)^(2^m) = b x modulo f exactly when f divides x^(2^m) - x.
  return square[1] == first && square[0] == 0 && degree_of(square.data(), degree - 1) <= 1;
}

bool BchWorkspace::Inside::split(const BchCode::Inside& code, const std::uint16_t* f, unsigned degree, unsigned exponent,
                                 std::uint16_t* free) {
  const GaloisField& field = code.field;
  if (degree <= 4) {
    std::uint16_t reversed[5];
    std::uint32_t found[4];
    std::reverse_copy(f, f + degree + 1, reversed);
    if (!code.equations.roots(reversed, degree, found)) return false;
    return std::all_of(found, found + degree, [&](std::uint32_t x) { return mark(code, x); });
  }
  for (; exponent < field.m(); ++exponent) {
    if (!make_trace(field, f, degree, exponent)) return false;
    unsigned small = degree_of(trace.data(), degree - 1), large = degree;
    if (small == 0) continue;  // all roots on one side
    std::uint16_t *const whole = free, *a = free + degree + 1, *b = a + degree + 1;
    std::copy_n(f, degree + 1, a);
    std::copy_n(trace.begin(), degree, b);
    while (small > 0 || b[0] != 0) {  // Euclid: b, of degree `small`, divides a, of degree `large`
      make_monic(field, b, small);
      if (small == 0) break;
      divide(field, a, large, b, small);
      large = small;
      small = degree_of(a, small - 1);
      std::swap(a, b);
    }
    const unsigned part = small == 0 && b[0] != 0 ? 0 : large;  // a is the divisor, unless a constant was left
    if (part == 0 || part == degree) continue;
    std::uint16_t divisor[kMaxBchT + 1];
    make_monic(field, a, part);
    std::copy_n(a, part + 1, divisor);
    std::copy_n(f, degree + 1, whole);
    divide(field, whole, degree, divisor, part);
    std::uint16_t* const next = free + degree + 1;
    if (!split(code, whole + part, degree - part, exponent + 1, next)) return false;
    std::copy_n(divisor, part + 1, whole);
    return split(code, whole, part, exponent + 1, next);
  }
  return false;
}

bool BchWorkspace::Inside::split_by_traces(const BchCode::Inside& code, unsigned degree) {
  std::uint16_t reversed[kMaxBchT + 1];
  std::reverse_copy(locator.begin(), locator.begin() + degree + 1, reversed);
  return split(code, reversed, degree, 0, pool.data());
}

}  // namespace steadycell::ecc
