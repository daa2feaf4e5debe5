#pragma once
#include <array>
#include <cstdint>
#include <new>
#include <vector>

#include "ecc/bch.h"
#include "ecc/galois_field.h"

// What a BchCode is made of; for the .cpp files of this room only.
namespace steadycell::ecc {

inline constexpr unsigned kMaxBchT = 72;
inline constexpr std::size_t kRemainderWords = (15 * kMaxBchT + 63) / 64;
// A remainder modulo the generator: bit 63 of word 0 is its highest power.
using Remainder = std::array<std::uint64_t, kRemainderWords>;

// A table whose 64-byte lines are lines of the cache, so that no load of a whole register meets two.
template <typename T>
struct LineAllocator {
  using value_type = T;
  LineAllocator() = default;
  template <typename U>
  explicit LineAllocator(const LineAllocator<U>&) {}
  T* allocate(std::size_t count) { return static_cast<T*>(::operator new(count * sizeof(T), std::align_val_t{64})); }
  void deallocate(T* at, std::size_t) { ::operator delete(at, std::align_val_t{64}); }
  friend bool operator==(const LineAllocator&, const LineAllocator&) { return true; }
};
template <typename T>
using LineTable = std::vector<T, LineAllocator<T>>;

// The generator's coefficients, highest power first.
std::vector<std::uint8_t> bch_generator(const GaloisField& field, unsigned t);

// Solves equations of degree 2 to 4 without trying elements. Sources: bch_equations.cpp.
class FieldEquations {
 public:
  explicit FieldEquations(const GaloisField& field);

  // y with y^2 + y = c; the other solution is y + 1. False when there is none in the field.
  bool half(std::uint32_t c, std::uint32_t& y) const;
  // The roots of x^degree + c[1] x^(degree-1) + .. + c[degree], degree 1 to 4, into `roots`; false unless they are `degree`
  // different elements.
  bool roots(const std::uint16_t* c, unsigned degree, std::uint32_t* roots) const;

 private:
  bool quadratic(std::uint32_t a, std::uint32_t b, std::uint32_t* roots) const;                       // x^2 + a x + b
  bool one_of_three(std::uint32_t p, std::uint32_t q, std::uint32_t& root) const;                     // x^3 + p x + q
  bool cubic(std::uint32_t a, std::uint32_t b, std::uint32_t c, std::uint32_t* roots) const;          // x^3 + a x^2 + b x + c
  bool affine(std::uint32_t b, std::uint32_t c, std::uint32_t d, std::uint32_t* roots) const;         // x^4 + b x^2 + c x + d
  bool quartic(const std::uint16_t* c, std::uint32_t* roots) const;
  std::uint32_t root(std::uint32_t a) const;  // square root

  const GaloisField field_;
  std::uint32_t solvable_ = 0;                     // c has a half when it shares an even number of ones with this
  std::array<std::array<std::uint16_t, 256>, 2> half_{};  // by low and high byte
  std::vector<std::uint16_t> cube_;                // [d]: w with w^3 + w = d, 0 for none
};

struct BchCode::Inside {
  Inside(GaloisField field_, const BchShape& shape_, std::vector<std::uint8_t> generator_, BchPath path_);

  BchPath path;
  GaloisField field;
  FieldEquations equations;
  BchShape shape;
  std::vector<std::uint8_t> generator;
  std::uint32_t parity_bits;
  std::size_t words;                         // in use of a Remainder
  std::vector<Remainder> byte_step;          // [byte]: byte times x^parity_bits modulo the generator
  std::vector<std::uint64_t> word_step;      // portable: [place of the byte in a word, 0 the lowest][byte][word], times x^parity_bits
  std::size_t odd_words;                     // 64-bit words that hold the t odd syndromes, 16 bits each
  LineTable<std::uint64_t> odd_syndromes;  // [bit of the remainder][odd_words]: what that bit alone gives

  // Where data are folded by carry-less multiplication. [block of 64 bytes][word of the remainder][word of the block]: the
  // power of x at which that word of the data stands, modulo the generator.
  LineTable<std::uint64_t> fold;
  std::size_t blocks = 0;
  std::array<std::uint8_t, 64> last_block{};  // the bits of the last block that are data
  Remainder generator_tail{};                 // the generator without its top coefficient
  std::uint64_t quotient = 0;                 // x^(parity_bits + 64) divided by the generator, without its top coefficient

  // Where roots are searched by GFNI. [block of 64 powers][odd j]: 64 low, then 64 high bytes of a^(-j power).
  LineTable<std::uint8_t> points;
  // a^0, a^1, ..: two periods and 16 more, so that 16 may be loaded from each power.
  std::vector<std::uint16_t> powers;

  std::uint32_t code_bits() const { return shape.data_bits + parity_bits; }
  Remainder remainder(const std::uint8_t* data) const;  // of data times x^parity_bits
  void subtract_parity(Remainder& r, ByteSpan parity) const;

 private:
  void make_byte_step();
  void make_word_step();
  void make_odd_syndromes();
  void make_fold();
  void make_points();
};

// Multiplies `r` by x^8 and adds a byte times x^parity_bits, modulo the generator.
void step_up(const BchCode::Inside& code, Remainder& r, std::uint8_t byte_in = 0);

struct BchWorkspace::Inside {
  explicit Inside(unsigned t);

  // S_1 .. S_2t at their own index; false when all are zero.
  bool make_syndromes(const BchCode::Inside& code, const Remainder& r);
  // Berlekamp-Massey. The locator's coefficients are left in `locator`; returns its degree, or 0 when it is none of at most t.
  unsigned find_locator(const BchCode::Inside& code);
  // Powers of x at which the errors are, into `roots`; false unless the locator has as many different ones inside the code.
  bool find_roots(const BchCode::Inside& code, unsigned degree);

  bool mark(const BchCode::Inside& code, std::uint32_t x);  // a root x = a^power of the reversed locator
  // Divides the locator by what is in `roots` and solves the rest, of degree 4 at most. Every root below a^`searched` is known.
  bool solve_rest(const BchCode::Inside& code, unsigned degree, std::uint32_t searched);

  // The same by traces, for a locator of any degree.
  bool split_by_traces(const BchCode::Inside& code, unsigned degree);
  bool split(const BchCode::Inside& code, const std::uint16_t* f, unsigned degree, unsigned exponent, std::uint16_t* free);
  bool make_trace(const GaloisField& field, const std::uint16_t* f, unsigned degree, unsigned exponent);

  std::array<std::uint16_t, 2 * kMaxBchT + 2> square, trace;
  // split() works in three polynomials at a time and keeps one a level; at most 15 levels.
  std::array<std::uint16_t, 18 * (kMaxBchT + 2)> pool;
  std::vector<std::uint64_t> odd;
  std::vector<std::uint16_t> syndromes, locator, previous, saved;
  std::vector<std::uint32_t> roots;
};

// The vector paths, each behind the check in bch_paths().
namespace avx2 {
Remainder remainder(const BchCode::Inside& code, const std::uint8_t* data);
}
namespace avx512 {
Remainder remainder(const BchCode::Inside& code, const std::uint8_t* data);
void add_columns(const BchCode::Inside& code, const Remainder& r, std::uint64_t* odd);
unsigned find_locator(const BchCode::Inside& code, BchWorkspace::Inside& work);
bool search_roots(const BchCode::Inside& code, BchWorkspace::Inside& work, unsigned degree);
}  // namespace avx512

}  // namespace steadycell::ecc
