// Equations of low degree over GF(2^m). Degree 2: Chen, Formulas for the solutions of quadratic equations over GF(2^m), IEEE
// Trans. Information Theory 28 (1982). Degrees 3 and 4: Zinoviev, On the solution of equations of degree <= 10 over finite
// fields GF(2^q), INRIA report 2829 (1996). Both from memory.
#include <bit>
#include <utility>

#include "ecc/bch_inside.h"

namespace steadycell::ecc {

FieldEquations::FieldEquations(const GaloisField& field) : field_(field), cube_(std::size_t{field.order()} + 1) {
  // y -> y^2 + y is linear over GF(2) with kernel {0, 1}: m - 1 of the field's base elements give a basis of its image,
  // brought into echelon form by its top bits.
  const unsigned m = field.m();
  std::array<std::uint32_t, 16> image{}, origin{};
  for (unsigned i = 1; i < m; ++i) {
    std::uint32_t y = 1u << i, c = field.square(y) ^ y;
    for (unsigned bit = m; bit-- > 0;) {
      if ((c >> bit & 1u) == 0) continue;
      if (image[bit] == 0) {
        image[bit] = c;
        origin[bit] = y;
        break;
      }
      c ^= image[bit];
      y ^= origin[bit];
    }
  }
  // Elimination of every base element gives a linear map, right for all that have a solution, and what it leaves tells which.
  std::array<std::uint32_t, 16> solution{};
  for (unsigned i = 0; i < m; ++i) {
    std::uint32_t c = 1u << i;
    for (unsigned bit = m; bit-- > 0;)
      if (c >> bit & 1u) {
        c ^= image[bit];
        solution[i] ^= origin[bit];
      }
    if (c != 0) solvable_ |= 1u << i;  // the image misses one dimension only
  }
  for (unsigned byte = 0; byte < 256; ++byte)
    for (unsigned bit = 0; bit < 16; ++bit)
      if (byte >> (bit % 8) & 1u) half_[bit / 8][byte] = static_cast<std::uint16_t>(half_[bit / 8][byte] ^ solution[bit]);
  for (std::uint32_t w = 2; w <= field.order(); ++w)
    cube_[field.multiply(field.square(w), w) ^ w] = static_cast<std::uint16_t>(w);
}

bool FieldEquations::half(std::uint32_t c, std::uint32_t& y) const {
  y = half_[0][c & 0xFF] ^ half_[1][c >> 8];
  return std::popcount(c & solvable_) % 2 == 0;
}

std::uint32_t FieldEquations::root(std::uint32_t a) const {
  if (a == 0) return 0;
  const std::uint32_t log = field_.log(a);
  return field_.power((log % 2 == 0 ? log : log + field_.order()) / 2);
}

bool FieldEquations::quadratic(std::uint32_t a, std::uint32_t b, std::uint32_t* roots) const {
  std::uint32_t y = 0;
  if (a == 0 || !half(field_.divide(b, field_.square(a)), y)) return false;
  roots[0] = field_.multiply(a, y);
  roots[1] = roots[0] ^ a;
  return true;
}

// False when there is none, or when the field holds one root only, as far as that is seen here.
bool FieldEquations::one_of_three(std::uint32_t p, std::uint32_t q, std::uint32_t& found) const {
  if (q == 0) return false;  // x (x^2 + p) has a double root
  if (p == 0) {
    // Three cube roots exist only in fields that hold those of 1.
    if (field_.order() % 3 != 0 || field_.log(q) % 3 != 0) return false;
    found = field_.power(field_.log(q) / 3);
    return true;
  }
  // x = sqrt(p) w gives w^3 + w = q / (p sqrt(p)).
  const std::uint32_t scale = root(p), w = cube_[field_.divide(q, field_.multiply(p, scale))];
  found = field_.multiply(scale, w);
  return w != 0;
}

bool FieldEquations::cubic(std::uint32_t a, std::uint32_t b, std::uint32_t c, std::uint32_t* roots) const {
  // x = y + a: y^3 + (a^2 + b) y + (a b + c).
  const std::uint32_t p = field_.square(a) ^ b, q = field_.multiply(a, b) ^ c;
  std::uint32_t y = 0;
  if (!one_of_three(p, q, y)) return false;
  // The others: z^2 + y z + (y^2 + p).
  if (!quadratic(y, field_.square(y) ^ p, roots)) return false;
  roots[0] ^= a;
  roots[1] ^= a;
  roots[2] = y ^ a;
  return true;
}

bool FieldEquations::affine(std::uint32_t b, std::uint32_t c, std::uint32_t d, std::uint32_t* roots) const {
  // (x^2 + r x + s)(x^2 + r x + u) with r^3 + b r + c = 0, s + u = c / r, s u = d.
  std::uint32_t r = 0, s[2];
  if (c == 0 || !one_of_three(b, c, r)) return false;
  return quadratic(field_.divide(c, r), d, s) && quadratic(r, s[0], roots) && quadratic(r, s[1], roots + 2);
}

bool FieldEquations::quartic(const std::uint16_t* c, std::uint32_t* roots) const {
  const std::uint32_t a = c[1], b = c[2];
  if (a == 0) return affine(b, c[3], c[4], roots);
  // x = y + e with e^2 = c3 / a has no linear term: y^4 + a y^3 + f y^2 + g; then 1 / y is a root of an affine equation.
  const std::uint32_t e = root(field_.divide(c[3], a)), e2 = field_.square(e);
  const std::uint32_t f = field_.multiply(a, e) ^ b;
  const std::uint32_t g = field_.square(e2) ^ field_.multiply(a, field_.multiply(e2, e)) ^ field_.multiply(b, e2) ^
                          field_.multiply(c[3], e) ^ c[4];
  if (g == 0) return false;  // y^2 divides it
  if (!affine(field_.divide(f, g), field_.divide(a, g), field_.divide(1, g), roots)) return false;
  for (unsigned i = 0; i < 4; ++i) roots[i] = field_.divide(1, roots[i]) ^ e;  // no root is 0, since 1 / g is not
  return true;
}

bool FieldEquations::roots(const std::uint16_t* c, unsigned degree, std::uint32_t* roots) const {
  switch (degree) {
    case 1: roots[0] = c[1]; return true;
    case 2: return quadratic(c[1], c[2], roots);
    case 3: return cubic(c[1], c[2], c[3], roots);
    default: return quartic(c, roots);
  }
}

}  // namespace steadycell::ecc
