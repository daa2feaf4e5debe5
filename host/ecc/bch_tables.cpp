// What a code is computed with, made once from its generator.
#include <algorithm>
#include <bit>

#include "ecc/bch_inside.h"

namespace steadycell::ecc {
namespace {

void shift_left(Remainder& r, std::size_t words, unsigned bits) {
  for (std::size_t i = 0; i + 1 < words; ++i) r[i] = r[i] << bits | r[i + 1] >> (64 - bits);
  r[words - 1] <<= bits;
}

void add(Remainder& r, std::size_t words, const std::uint64_t* a) {
  for (std::size_t i = 0; i < words; ++i) r[i] ^= a[i];
}

bool bit_of(const Remainder& r, std::uint32_t at) { return (r[at / 64] >> (63 - at % 64) & 1) != 0; }

}  // namespace

BchCode::Inside::Inside(GaloisField field_, const BchShape& shape_, std::vector<std::uint8_t> generator_, BchPath path_)
    : path(path_),
      field(std::move(field_)),
      equations(field),
      shape(shape_),
      generator(std::move(generator_)),
      parity_bits(static_cast<std::uint32_t>(generator.size() - 1)),
      words((parity_bits + 63) / 64),
      odd_words((shape.t + 3) / 4) {
  if (path == BchPath::avx512) odd_words = (odd_words + 7) / 8 * 8;  // whole registers
  for (std::uint32_t i = 1; i <= parity_bits; ++i)
    if (generator[i] != 0) generator_tail[(i - 1) / 64] |= 1ull << (63 - (i - 1) % 64);
  make_byte_step();
  make_odd_syndromes();
  if (path == BchPath::portable)
    make_word_step();
  else
    make_fold();
  if (path == BchPath::avx512) make_points();
}

// Shorter than the generator's degree, a remainder's top byte still meets each data byte: 8 shifts of a register of fewer
// than 8 bits are the table's business, too.
void BchCode::Inside::make_byte_step() {
  byte_step.assign(256, Remainder{});
  for (unsigned byte = 0; byte < 256; ++byte) {
    Remainder r{};
    for (int bit = 7; bit >= 0; --bit) {
      const bool feedback = ((byte >> bit) & 1u) != static_cast<unsigned>(r[0] >> 63);
      shift_left(r, words, 1);
      if (feedback) add(r, words, generator_tail.data());
    }
    byte_step[byte] = r;
  }
}

void step_up(const BchCode::Inside& code, Remainder& r, std::uint8_t byte_in) {
  const Remainder& added = code.byte_step[static_cast<std::uint8_t>(r[0] >> 56) ^ byte_in];
  shift_left(r, code.words, 8);
  add(r, code.words, added.data());
}

void BchCode::Inside::make_word_step() {
  word_step.assign(8 * 256 * words, 0);
  for (std::size_t byte = 0; byte < 256; ++byte) {
    Remainder r = byte_step[byte];
    for (std::size_t place = 0; place < 8; ++place) {
      std::copy_n(r.begin(), words, word_step.begin() + static_cast<std::ptrdiff_t>((place * 256 + byte) * words));
      step_up(*this, r);
    }
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

void BchCode::Inside::make_fold() {
  const std::size_t bytes = (shape.data_bits + 7) / 8;
  blocks = (bytes + 63) / 64;
  for (std::size_t i = 0; i < 64; ++i) {
    const std::size_t first_bit = ((blocks - 1) * 64 + i) * 8;
    if (first_bit >= shape.data_bits) break;
    const std::size_t bits = std::min<std::size_t>(8, shape.data_bits - first_bit);
    last_block[i] = static_cast<std::uint8_t>(0xFF00u >> bits);
  }
  // The last word that holds data ends at x^lowest (below x^0 where it is filled up with more bits than the parity has); each
  // word before it 64 powers higher. Words behind it are zero and need no constant.
  const std::size_t used = (shape.data_bits + 63) / 64;
  int lowest = static_cast<int>(parity_bits) - static_cast<int>(used * 64 - shape.data_bits);
  Remainder r{};
  const auto at = [](int power) { return static_cast<std::size_t>(power); };
  if (lowest == static_cast<int>(parity_bits)) {
    r = generator_tail;
  } else {
    const std::size_t bit = parity_bits - 1 - at(std::max(lowest, 0));
    r[bit / 64] = 1ull << (63 - bit % 64);
    for (; lowest < 0; ++lowest) {  // divides by x: adds the generator, whose constant term is 1, to make the lowest bit zero
      const bool odd = bit_of(r, parity_bits - 1);
      if (odd) add(r, words, generator_tail.data());
      for (std::size_t i = words; i-- > 1;) r[i] = r[i] >> 1 | r[i - 1] << 63;
      r[0] >>= 1;
      if (odd) r[0] |= 1ull << 63;
    }
  }
  fold.assign(blocks * words * 8, 0);
  for (std::size_t word = used; word-- > 0;) {
    for (std::size_t i = 0; i < words; ++i) fold[(word / 8 * words + i) * 8 + word % 8] = r[i];
    for (int i = 0; i < 8; ++i) step_up(*this, r);
  }
  // x^(parity_bits + 64) by long division, one bit of the quotient a step behind the first.
  Remainder rest = generator_tail;
  for (int i = 0; i < 64; ++i) {
    const bool bit = rest[0] >> 63 != 0;
    quotient = quotient << 1 | (bit ? 1u : 0u);
    shift_left(rest, words, 1);
    if (bit) add(rest, words, generator_tail.data());
  }
}

void BchCode::Inside::make_points() {
  const std::uint32_t order = field.order();
  for (std::uint32_t i = 0; i < 2 * order + 16; ++i) powers.push_back(static_cast<std::uint16_t>(field.power(i % order)));
  const std::size_t odds = (shape.t + 1) / 2, point_blocks = (std::size_t{code_bits()} + 255) / 256 * 4;
  points.resize(point_blocks * odds * 128);
  for (std::size_t odd = 0; odd < odds; ++odd) {
    const std::uint32_t down = static_cast<std::uint32_t>((2 * odd + 1) % order);
    std::uint32_t log = 0;
    for (std::size_t power = 0; power < point_blocks * 64; ++power) {
      std::uint8_t* const at = &points[(power / 64 * odds + odd) * 128 + power % 64];
      at[0] = static_cast<std::uint8_t>(field.power(log));
      at[64] = static_cast<std::uint8_t>(field.power(log) >> 8);
      log = log >= down ? log - down : log + order - down;
    }
  }
}

}  // namespace steadycell::ecc
