#include "ecc/bch.h"

#include <algorithm>
#include <array>
#include <cassert>

namespace steadycell::ecc {
namespace {

constexpr unsigned kMaxT = 72;
constexpr std::size_t kWords = (15 * kMaxT + 63) / 64 + 1;  // of the remainder register

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
    for (std::size_t j = 0; j < minimal.size(); ++j) out[i + j] = static_cast<std::uint8_t>(out[i + j] ^ (product[i] & minimal[j]));
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

using Register = std::array<std::uint64_t, kWords>;  // word 0 bit 63 = highest power of the remainder

}  // namespace

struct BchCode::Inside {
  GaloisField field;
  unsigned t;
  std::uint32_t data_bytes, parity_bits;
  std::vector<std::uint8_t> generator;  // highest power first
  std::size_t words;                    // in use of the register
  std::vector<Register> step;           // by byte: what 8 shifts of that top byte add

  // Workspace of decode()
  std::vector<std::uint8_t> found;
  std::vector<std::uint32_t> syndromes, locator, previous, saved, roots;

  Inside(GaloisField f, unsigned errors) : field(std::move(f)), t(errors), data_bytes(0), parity_bits(0), words(0) {}

  void make_step_table() {
    words = (parity_bits + 63) / 64;
    Register g{};  // the generator without its top coefficient
    for (std::uint32_t i = 1; i <= parity_bits; ++i)
      if (generator[i]) g[(i - 1) / 64] |= 1ull << (63 - (i - 1) % 64);
    step.assign(256, Register{});
    for (unsigned byte = 0; byte < 256; ++byte) {
      Register r{};
      for (int bit = 7; bit >= 0; --bit) {
        const bool feedback = ((byte >> bit) & 1u) != static_cast<unsigned>(r[0] >> 63);
        shift(r, 1);
        if (feedback) add(r, g);
      }
      step[byte] = r;
    }
  }
  void shift(Register& r, unsigned bits) const {
    for (std::size_t i = 0; i < words; ++i) r[i] = r[i] << bits | (i + 1 < words ? r[i + 1] >> (64 - bits) : 0);
  }
  void add(Register& r, const Register& a) const {
    for (std::size_t i = 0; i < words; ++i) r[i] ^= a[i];
  }

  // data times x^parity_bits modulo the generator
  Register remainder(ByteSpan data) const {
    Register r{};
    for (const std::uint8_t byte : data) {
      const Register& added = step[static_cast<std::uint8_t>(r[0] >> 56) ^ byte];
      shift(r, 8);
      add(r, added);
    }
    return r;
  }

  bool make_syndromes(const Register& r) {
    // S_j = r(a^j); even ones are squares. Bit i of the register is power parity_bits - 1 - i.
    std::fill(syndromes.begin(), syndromes.end(), 0);
    bool any = false;
    for (std::uint32_t i = 0; i < parity_bits; ++i) {
      if (!(r[i / 64] >> (63 - i % 64) & 1u)) continue;
      const std::uint32_t power = parity_bits - 1 - i;
      for (unsigned j = 1; j < 2 * t; j += 2)
        syndromes[j] ^= field.power(static_cast<std::uint32_t>(std::uint64_t{power} * j % field.order()));
    }
    for (unsigned j = 1; j < 2 * t; j += 2) any = any || syndromes[j] != 0;
    for (unsigned j = 2; j <= 2 * t; j += 2) syndromes[j] = field.square(syndromes[j / 2]);
    return any;
  }

  // Berlekamp-Massey, in the form for binary codes that steps over the even syndromes. Degree of the error locator.
  unsigned find_locator() {
    std::fill(locator.begin(), locator.end(), 0);
    std::fill(previous.begin(), previous.end(), 0);
    locator[0] = previous[0] = 1;
    unsigned length = 0, gap = 1;
    std::uint32_t previous_discrepancy = 1;
    for (unsigned n = 0; n < 2 * t; n += 2) {
      std::uint32_t discrepancy = syndromes[n + 1];
      for (unsigned i = 1; i <= length; ++i) discrepancy ^= field.multiply(locator[i], syndromes[n + 1 - i]);
      if (discrepancy == 0) {
        gap += 2;
        continue;
      }
      const std::uint32_t factor = field.divide(discrepancy, previous_discrepancy);
      const bool longer = 2 * length <= n;
      if (longer) saved = locator;
      for (std::size_t i = gap; i < locator.size(); ++i) locator[i] ^= field.multiply(factor, previous[i - gap]);
      if (longer) {
        length = n + 1 - length;
        previous = saved;
        previous_discrepancy = discrepancy;
        gap = 2;
      } else {
        gap += 2;
      }
    }
    return length;
  }

  // Positions of the errors from the locator of degree `degree`; false unless it has that many different roots inside the
  // shortened code. Root a^-p marks an error at power p.
  bool find_roots(unsigned degree) {
    roots.clear();
    const std::uint32_t bits = data_bytes * 8 + parity_bits;
    const auto mark = [&](std::uint32_t power) {
      if (power >= bits) return false;
      roots.push_back(bits - 1 - power);
      return true;
    };
    if (degree == 1) return mark(field.log(locator[1]));  // 1 + l x: x = 1 / l, so the error's power is log l
    // Chien search: the term i of the locator is multiplied by a^-i from one power to the next.
    for (unsigned i = 1; i <= degree; ++i) saved[i] = locator[i] == 0 ? field.order() : field.log(locator[i]);
    for (std::uint32_t power = 0; power < bits && roots.size() < degree; ++power) {
      std::uint32_t sum = 1;
      for (unsigned i = 1; i <= degree; ++i) {
        if (locator[i] == 0) continue;
        sum ^= field.power(saved[i]);
        saved[i] = saved[i] >= i ? saved[i] - i : saved[i] + field.order() - i;
      }
      if (sum == 0) mark(power);
    }
    return roots.size() == degree;
  }
};

BchCode::BchCode(std::unique_ptr<Inside> inside) : inside_(std::move(inside)) {}
BchCode::BchCode(BchCode&&) noexcept = default;
BchCode& BchCode::operator=(BchCode&&) noexcept = default;
BchCode::~BchCode() = default;

Result<BchCode> BchCode::make(unsigned m, unsigned t, std::uint32_t polynomial, std::uint32_t data_bytes) {
  if (m < 5 || m > 15) return failure(ErrorCode::bad_input_file, "BCH with m = {} is not supported: m should be 5 to 15", m);
  if (t < 1 || t > kMaxT) return failure(ErrorCode::bad_input_file, "BCH with t = {} is not supported: t should be 1 to {}", t, kMaxT);
  if (data_bytes < 1) return failure(ErrorCode::bad_input_file, "a BCH step should have data");
  auto field = GaloisField::make(m, polynomial);
  if (!field) return failure(field.error());
  if (2 * t >= field->order()) return failure(ErrorCode::bad_input_file, "BCH with m = {} cannot correct {} bits", m, t);

  auto inside = std::make_unique<Inside>(std::move(*field), t);
  std::vector<std::uint8_t> product{1};
  std::vector<std::uint32_t> leaders;
  for (std::uint32_t exponent = 1; exponent < 2 * t; exponent += 2) {
    const std::uint32_t leader = coset_leader(inside->field, exponent);
    if (std::find(leaders.begin(), leaders.end(), leader) != leaders.end()) continue;
    leaders.push_back(leader);
    multiply_by_minimal_polynomial(inside->field, exponent, product);
  }
  inside->parity_bits = static_cast<std::uint32_t>(product.size() - 1);
  inside->data_bytes = data_bytes;
  if (std::uint64_t{data_bytes} * 8 + inside->parity_bits > inside->field.order())
    return failure(ErrorCode::bad_input_file, "BCH m = {}, t = {}: {} data bytes and {} parity bits are more than the code's {} bits", m, t, data_bytes,
                   inside->parity_bits, inside->field.order());
  inside->generator.assign(product.rbegin(), product.rend());
  inside->make_step_table();
  inside->syndromes.resize(2 * std::size_t{t} + 1);
  inside->locator.resize(2 * std::size_t{t} + 2);
  inside->previous.resize(inside->locator.size());
  inside->saved.resize(inside->locator.size());
  inside->roots.reserve(inside->locator.size());
  return BchCode(std::move(inside));
}

unsigned BchCode::m() const { return inside_->field.m(); }
unsigned BchCode::t() const { return inside_->t; }
std::uint32_t BchCode::data_bytes() const { return inside_->data_bytes; }
std::uint32_t BchCode::parity_bits() const { return inside_->parity_bits; }
std::uint32_t BchCode::parity_bytes() const { return (inside_->parity_bits + 7) / 8; }
const std::vector<std::uint8_t>& BchCode::generator_bits() const { return inside_->generator; }

void BchCode::encode(ByteSpan data, MutableByteSpan parity) const {
  assert(data.size() == data_bytes() && parity.size() == parity_bytes());
  const Register r = inside_->remainder(data);
  for (std::size_t i = 0; i < parity.size(); ++i) parity[i] = static_cast<std::uint8_t>(r[i / 8] >> (56 - 8 * (i % 8)));
}

Decoded BchCode::decode(MutableByteSpan data, MutableByteSpan parity, std::span<std::uint32_t> positions) {
  Inside& in = *inside_;
  assert(data.size() == in.data_bytes && parity.size() == parity_bytes());
  Register r = in.remainder(data);
  for (std::size_t i = 0; i < parity.size(); ++i) r[i / 8] ^= static_cast<std::uint64_t>(parity[i]) << (56 - 8 * (i % 8));
  if (const unsigned used = in.parity_bits % 64) r[in.words - 1] &= ~0ull << (64 - used);  // pad bits say nothing
  bool zero = true;
  for (std::size_t i = 0; i < in.words; ++i) zero = zero && r[i] == 0;
  if (zero) return {};

  if (!in.make_syndromes(r)) return {DecodeStatus::failed, 0};
  const unsigned degree = in.find_locator();
  if (degree == 0 || degree > in.t || in.locator[degree] == 0 || !in.find_roots(degree)) return {DecodeStatus::failed, 0};
  std::sort(in.roots.begin(), in.roots.end());
  for (const std::uint32_t at : in.roots) {
    const std::uint32_t data_bits = in.data_bytes * 8;
    std::uint8_t& byte = at < data_bits ? data[at / 8] : parity[(at - data_bits) / 8];
    byte = static_cast<std::uint8_t>(byte ^ (0x80u >> at % 8));  // data_bits is a multiple of 8
  }
  std::copy_n(in.roots.begin(), std::min(in.roots.size(), positions.size()), positions.begin());
  return {DecodeStatus::corrected, static_cast<std::uint32_t>(in.roots.size())};
}

}  // namespace steadycell::ecc
