#include "ecc/bch.h"

#include <algorithm>
#include <bit>
#include <cassert>

#include "ecc/bch_inside.h"

namespace steadycell::ecc {
namespace {

void shift_left(Remainder& r, std::size_t words, unsigned bits) {
  for (std::size_t i = 0; i + 1 < words; ++i) r[i] = r[i] << bits | r[i + 1] >> (64 - bits);
  r[words - 1] <<= bits;
}

void add(Remainder& r, std::size_t words, const Remainder& a) {
  for (std::size_t i = 0; i < words; ++i) r[i] ^= a[i];
}

}  // namespace

BchCode::Inside::Inside(GaloisField field_, const BchShape& shape_, std::vector<std::uint8_t> generator_)
    : field(std::move(field_)),
      shape(shape_),
      generator(std::move(generator_)),
      parity_bits(static_cast<std::uint32_t>(generator.size() - 1)),
      words((parity_bits + 63) / 64),
      odd_words((shape.t + 3) / 4) {
  make_byte_step();
  make_odd_syndromes();
  make_half();
}

void BchCode::Inside::make_byte_step() {
  Remainder g{};  // the generator without its top coefficient
  for (std::uint32_t i = 1; i <= parity_bits; ++i)
    if (generator[i] != 0) g[(i - 1) / 64] |= 1ull << (63 - (i - 1) % 64);
  byte_step.assign(256, Remainder{});
  for (unsigned byte = 0; byte < 256; ++byte) {
    Remainder r{};
    for (int bit = 7; bit >= 0; --bit) {
      const bool feedback = ((byte >> bit) & 1u) != static_cast<unsigned>(r[0] >> 63);
      shift_left(r, words, 1);
      if (feedback) add(r, words, g);
    }
    byte_step[byte] = r;
  }
}

void BchCode::Inside::make_odd_syndromes() {
  odd_syndromes.assign(parity_bits * odd_words, 0);
  for (std::uint32_t bit = 0; bit < parity_bits; ++bit) {
    const std::uint64_t power = parity_bits - 1 - bit;
    for (unsigned k = 0; k < shape.t; ++k) {
      const std::uint64_t value = field.power(static_cast<std::uint32_t>(power * (2 * k + 1) % field.order()));
      odd_syndromes[bit * odd_words + k / 4] |= value << (16 * (k % 4));
    }
  }
}

// y -> y^2 + y is linear over GF(2) with kernel {0, 1}, so m - 1 of the field's base elements give a basis of its image.
void BchCode::Inside::make_half() {
  half.assign(field.m(), 0);
  half_of.assign(field.m(), 0);
  for (unsigned i = 1; i < field.m(); ++i) {
    std::uint32_t y = 1u << i, c = field.square(y) ^ y;
    for (unsigned bit = field.m(); bit-- > 0;) {
      if ((c >> bit & 1u) == 0) continue;
      if (half_of[bit] == 0) {
        half_of[bit] = static_cast<std::uint16_t>(c);
        half[bit] = static_cast<std::uint16_t>(y);
        break;
      }
      c ^= half_of[bit];
      y ^= half[bit];
    }
  }
}

bool BchCode::Inside::solve_quadratic(std::uint32_t c, std::uint32_t& y) const {
  y = 0;
  for (unsigned bit = field.m(); bit-- > 0;) {
    if ((c >> bit & 1u) == 0) continue;
    if (half_of[bit] == 0) return false;
    c ^= half_of[bit];
    y ^= half[bit];
  }
  return true;
}

// Shorter than the generator's degree, a remainder's top byte still meets each data byte: 8 shifts of a register of fewer
// than 8 bits are the table's business, too.
Remainder BchCode::Inside::remainder(ByteSpan data) const {
  Remainder r{};
  const std::size_t whole = shape.data_bits / 8;
  for (std::size_t at = 0; at < whole; ++at) {
    const Remainder& added = byte_step[static_cast<std::uint8_t>(r[0] >> 56) ^ data[at]];
    shift_left(r, words, 8);
    add(r, words, added);
  }
  if (const unsigned rest = shape.data_bits % 8) {
    // The last bits alone: in a byte whose upper bits meet nothing, `rest` shifts are a table step of that small byte.
    const unsigned top = static_cast<unsigned>(r[0] >> (64 - rest)), bits = static_cast<unsigned>(data[whole]) >> (8 - rest);
    shift_left(r, words, rest);
    add(r, words, byte_step[top ^ bits]);
  }
  return r;
}

void BchCode::Inside::subtract_parity(Remainder& r, ByteSpan parity) const {
  for (std::size_t i = 0; i < parity.size(); ++i) r[i / 8] ^= static_cast<std::uint64_t>(parity[i]) << (56 - 8 * (i % 8));
  if (const unsigned used = parity_bits % 64) r[words - 1] &= ~0ull << (64 - used);  // pad bits say nothing
}

Result<BchCode> BchCode::make(const BchShape& shape) {
  const auto [m, t, polynomial, data_bits] = shape;
  if (m < 4 || m > 15) return failure(ErrorCode::bad_input_file, "BCH with m = {} is not supported: m should be 4 to 15", m);
  if (t < 1 || t > kMaxBchT)
    return failure(ErrorCode::bad_input_file, "BCH with t = {} is not supported: t should be 1 to {}", t, kMaxBchT);
  if (data_bits < 1) return failure(ErrorCode::bad_input_file, "a BCH step should have data");
  auto field = GaloisField::make(m, polynomial);
  if (!field) return failure(field.error());
  if (2 * t >= field->order()) return failure(ErrorCode::bad_input_file, "BCH with m = {} cannot correct {} bits", m, t);
  auto generator = bch_generator(*field, t);
  const std::size_t parity_bits = generator.size() - 1;
  if (data_bits > field->order() || parity_bits > field->order() - data_bits)
    return failure(ErrorCode::bad_input_file, "BCH m = {}, t = {}: {} data bits and {} parity bits are more than the code's {} bits",
                   m, t, data_bits, parity_bits, field->order());
  return BchCode(std::make_shared<const Inside>(std::move(*field), shape, std::move(generator)));
}

unsigned BchCode::m() const { return inside_->shape.m; }
unsigned BchCode::t() const { return inside_->shape.t; }
std::uint32_t BchCode::data_bits() const { return inside_->shape.data_bits; }
std::uint32_t BchCode::parity_bits() const { return inside_->parity_bits; }
std::span<const std::uint8_t> BchCode::generator() const { return inside_->generator; }

void BchCode::encode(ByteSpan data, MutableByteSpan parity) const {
  assert(data.size() == data_bytes() && parity.size() == parity_bytes());
  const Remainder r = inside_->remainder(data);
  for (std::size_t i = 0; i < parity.size(); ++i) parity[i] = static_cast<std::uint8_t>(r[i / 8] >> (56 - 8 * (i % 8)));
}

Decoded BchCode::decode(MutableByteSpan data, MutableByteSpan parity, BchWorkspace& workspace,
                        std::span<std::uint32_t> positions) const {
  assert(data.size() == data_bytes() && parity.size() == parity_bytes());
  assert(positions.empty() || positions.size() >= t());
  BchWorkspace::Inside& work = *workspace.inside_;
  Remainder r = inside_->remainder(data);
  inside_->subtract_parity(r, parity);
  if (std::all_of(r.begin(), r.begin() + static_cast<std::ptrdiff_t>(inside_->words), [](std::uint64_t w) { return w == 0; }))
    return {};

  constexpr Decoded kFailed{DecodeStatus::failed, 0};
  if (!work.make_syndromes(*inside_, r)) return kFailed;
  const unsigned degree = work.find_locator(*inside_);
  if (degree == 0 || !work.find_roots(*inside_, degree)) return kFailed;

  for (std::uint32_t& power : work.roots) power = code_bits() - 1 - power;
  std::sort(work.roots.begin(), work.roots.end());
  for (const std::uint32_t at : work.roots) {
    const std::uint32_t in_parity = at - data_bits();
    std::uint8_t& byte = at < data_bits() ? data[at / 8] : parity[in_parity / 8];
    byte = static_cast<std::uint8_t>(byte ^ (0x80u >> (at < data_bits() ? at : in_parity) % 8));
  }
  if (!positions.empty()) std::copy(work.roots.begin(), work.roots.end(), positions.begin());
  return {DecodeStatus::corrected, degree};
}

}  // namespace steadycell::ecc
