// From syndromes to places, 64 field elements at a time. An element is two bytes, kept in two registers: the low bytes of 64
// elements and their high bytes. A map that is linear over GF(2) - multiplication by a constant, squaring, sums of such - is a
// matrix of 16 by 16 bits, applied as four of 8 by 8 (GF2P8AFFINEQB).
#include "ecc/bch_avx512.h"
#include "ecc/bch_inside.h"

#if defined(__x86_64__)

#include <algorithm>
#include <bit>

namespace steadycell::ecc::avx512 {
namespace {

// The instruction takes rows, a map is known by its columns (the images of 1, x, x^2, ..): applied to these eight bytes, a
// matrix gives itself turned.
constexpr long long kTurn = 0x0102040810204080;

// What a map does to the low and the high byte, each to the low and the high byte of the result.
struct Map {
  __m512i low_to_low, low_to_high, high_to_low, high_to_high;
};

// Multiplication by a^log, whose columns are a^log, a^(log+1), ..
STEADYCELL_AVX512 inline Map times(const BchCode::Inside& code, std::uint32_t log) {
  const auto* const from = reinterpret_cast<const __m128i*>(&code.powers[log]);
  const __m512i low = _mm512_broadcast_i32x4(_mm_loadu_si128(from)), high = _mm512_broadcast_i32x4(_mm_loadu_si128(from + 1));
  const __m512i even = _mm512_set1_epi64(0x00020406080A0C0E), odd = _mm512_set1_epi64(0x01030507090B0D0F), turn = _mm512_set1_epi64(kTurn);
  return {_mm512_gf2p8affine_epi64_epi8(turn, _mm512_shuffle_epi8(low, even), 0),
          _mm512_gf2p8affine_epi64_epi8(turn, _mm512_shuffle_epi8(low, odd), 0),
          _mm512_gf2p8affine_epi64_epi8(turn, _mm512_shuffle_epi8(high, even), 0),
          _mm512_gf2p8affine_epi64_epi8(turn, _mm512_shuffle_epi8(high, odd), 0)};
}

constexpr std::uint32_t kRound = 1024;  // powers searched between two looks at what is found

constexpr std::array<std::uint8_t, 64> kBytePlaces = [] {
  std::array<std::uint8_t, 64> places{};
  for (std::uint8_t i = 0; i < 64; ++i) places[i] = i;
  return places;
}();

// 64 elements.
struct Elements {
  __m512i low, high;
};

STEADYCELL_AVX512 inline Elements plus_mapped(const Elements& a, const Map& map, const Elements& b) {
  return {_mm512_ternarylogic_epi64(a.low, _mm512_gf2p8affine_epi64_epi8(b.low, map.low_to_low, 0),
                                    _mm512_gf2p8affine_epi64_epi8(b.high, map.high_to_low, 0), 0x96),
          _mm512_ternarylogic_epi64(a.high, _mm512_gf2p8affine_epi64_epi8(b.low, map.low_to_high, 0),
                                    _mm512_gf2p8affine_epi64_epi8(b.high, map.high_to_high, 0), 0x96)};
}

template <std::size_t registers>
STEADYCELL_AVX512 inline void load(Elements* to, const std::uint16_t* from) {
#pragma GCC unroll 2
  for (std::size_t i = 0; i < registers; ++i) {
    const __m512i a = _mm512_loadu_si512(from + 64 * i), b = _mm512_loadu_si512(from + 64 * i + 32);
    to[i].low = _mm512_inserti64x4(_mm512_castsi256_si512(_mm512_cvtepi16_epi8(a)), _mm512_cvtepi16_epi8(b), 1);
    to[i].high = _mm512_inserti64x4(_mm512_castsi256_si512(_mm512_cvtepi16_epi8(_mm512_srli_epi16(a, 8))),
                                    _mm512_cvtepi16_epi8(_mm512_srli_epi16(b, 8)), 1);
  }
}

STEADYCELL_AVX512 inline __m512i join(__m256i low, __m256i high) {
  return _mm512_or_si512(_mm512_cvtepu8_epi16(low), _mm512_slli_epi16(_mm512_cvtepu8_epi16(high), 8));
}

STEADYCELL_AVX512 inline void store(std::uint16_t* to, const Elements& from) {
  _mm512_storeu_si512(to, join(_mm512_castsi512_si256(from.low), _mm512_castsi512_si256(from.high)));
  _mm512_storeu_si512(to + 32, join(_mm512_extracti64x4_epi64(from.low, 1), _mm512_extracti64x4_epi64(from.high, 1)));
}

// Every element to the place before its own; what stood first is gone.
template <std::size_t registers>
STEADYCELL_AVX512 inline void move_down(Elements* a) {
  const __m512i next = _mm512_add_epi8(_mm512_loadu_si512(kBytePlaces.data()), _mm512_set1_epi8(1));
  if constexpr (registers == 1) {
    const __mmask64 all_but_last = ~0ull >> 1;
    a[0] = {_mm512_maskz_permutexvar_epi8(all_but_last, next, a[0].low), _mm512_maskz_permutexvar_epi8(all_but_last, next, a[0].high)};
  } else {
    a[0] = {_mm512_permutex2var_epi8(a[0].low, next, a[1].low), _mm512_permutex2var_epi8(a[0].high, next, a[1].high)};
    move_down<1>(a + 1);
  }
}

// Every element two places up, zeros behind.
template <std::size_t registers>
STEADYCELL_AVX512 inline void move_up_two(Elements* a) {
  const __m512i before = _mm512_sub_epi8(_mm512_loadu_si512(kBytePlaces.data()), _mm512_set1_epi8(2));
  if constexpr (registers == 2)
    a[1] = {_mm512_permutex2var_epi8(a[1].low, before, a[0].low),
            _mm512_permutex2var_epi8(a[1].high, before, a[0].high)};
  a[0] = {_mm512_maskz_permutexvar_epi8(~3ull, before, a[0].low), _mm512_maskz_permutexvar_epi8(~3ull, before, a[0].high)};
}

// Berlekamp and Massey's steps with the discrepancies of all later steps kept up to date instead of being computed anew, as
// Sarwate and Shanbhag do in hardware (High-speed architectures for Reed-Solomon decoders, IEEE Trans. VLSI 9, 2001; from
// memory), here with the division: the coefficients of syndromes times locator change just as the locator does. Only every
// second one counts in a binary code.
template <std::size_t registers>
STEADYCELL_AVX512 unsigned find_locator(const BchCode::Inside& code, BchWorkspace::Inside& work) {
  const GaloisField& field = code.field;
  const unsigned t = code.shape.t;
  alignas(64) std::uint16_t start[2][64 * registers] = {};
  for (unsigned k = 0; k < t; ++k) start[0][k] = work.syndromes[2 * k + 1];
  for (unsigned k = 1; k < t; ++k) start[1][k] = work.syndromes[2 * k];
  Elements next[registers], before[registers], locator[registers], previous[registers];
  load<registers>(next, start[0]);
  load<registers>(before, start[1]);
  for (std::size_t i = 0; i < registers; ++i)
    locator[i] = previous[i] = {_mm512_setzero_si512(), _mm512_setzero_si512()};
  locator[0].low = _mm512_zextsi128_si512(_mm_cvtsi32_si128(1));
  previous[0].low = _mm512_zextsi128_si512(_mm_cvtsi32_si128(1 << 8));  // x
  unsigned length = 0;
  std::uint32_t previous_log = 0;
  for (unsigned n = 0; n < 2 * t; n += 2) {
    const auto discrepancy = static_cast<std::uint32_t>((_mm_cvtsi128_si32(_mm512_castsi512_si128(next[0].low)) & 0xFF) |
                                                        (_mm_cvtsi128_si32(_mm512_castsi512_si128(next[0].high)) & 0xFF) << 8);
    if (discrepancy != 0) {
      const std::uint32_t log = field.log(discrepancy);
      const Map factor = times(code, log + field.order() - previous_log);
      const bool longer = 2 * length <= n;
#pragma GCC unroll 2
      for (std::size_t i = 0; i < registers; ++i) {
        const Elements sum = plus_mapped(next[i], factor, before[i]), product = plus_mapped(locator[i], factor, previous[i]);
        if (longer) {
          before[i] = next[i];
          previous[i] = locator[i];
        }
        next[i] = sum;
        locator[i] = product;
      }
      if (longer) {
        length = n + 1 - length;
        previous_log = log;
        if (length > t) return 0;  // it never becomes shorter
      }
    }
    move_down<registers>(next);
    move_up_two<registers>(previous);
  }
  alignas(64) std::uint16_t out[64 * registers];
  for (std::size_t i = 0; i < registers; ++i) store(out + 64 * i, locator[i]);
  std::copy_n(out, t + 1, work.locator.begin());
  return out[length] != 0 ? length : 0;
}

// The locator is the constant 1 and, for each odd j, a sum of c x^j, c' (x^j)^2, c'' (x^j)^4, ..: a linear map of x^j. So a
// search over all x needs the powers x^j of every x, which are the same for every word, and one map for every two coefficients.
STEADYCELL_AVX512 void make_maps(const BchCode::Inside& code, const std::uint16_t* locator, unsigned degree, std::uint64_t (*maps)[4]) {
  const std::uint32_t order = code.field.order();
  const unsigned m = code.field.m();
  for (unsigned odd = 1; odd <= degree; odd += 2) {
    std::uint16_t columns[16] = {};
    unsigned doublings = 0;
    if (locator[odd] != 0) std::copy_n(&code.powers[code.field.log(locator[odd])], 16, columns);
    for (unsigned j = 2 * odd; j <= degree; j *= 2) {
      ++doublings;
      if (locator[j] == 0) continue;
      std::uint32_t log = code.field.log(locator[j]);
      const std::uint32_t step = 1u << doublings;  // at most degree, less than half the order
      for (unsigned i = 0; i < m; ++i) {
        columns[i] = static_cast<std::uint16_t>(columns[i] ^ code.powers[log]);
        log += step;
        if (log >= order) log -= order;
      }
    }
    const __m256i split = _mm256_broadcastsi128_si256(_mm_set_epi64x(0x01030507090B0D0F, 0x00020406080A0C0E));
    const __m256i turned = _mm256_gf2p8affine_epi64_epi8(
        _mm256_set1_epi64x(kTurn), _mm256_shuffle_epi8(_mm256_loadu_si256(reinterpret_cast<const __m256i*>(columns)), split), 0);
    _mm256_storeu_si256(reinterpret_cast<__m256i*>(maps[odd / 2]), turned);  // low to low, low to high, high to low, high to high
  }
}

STEADYCELL_AVX512 inline __m512i spread(std::uint64_t map) { return _mm512_set1_epi64(static_cast<long long>(map)); }

}  // namespace

unsigned find_locator(const BchCode::Inside& code, BchWorkspace::Inside& work) {
  return code.shape.t < 64 ? find_locator<1>(code, work) : find_locator<2>(code, work);
}

STEADYCELL_AVX512 bool search_roots(const BchCode::Inside& code, BchWorkspace::Inside& work, unsigned degree) {
  std::uint64_t maps[kMaxBchT / 2 + 1][4];
  make_maps(code, work.locator.data(), degree, maps);
  const std::size_t odds = (degree + 1) / 2, stride = std::size_t{(code.shape.t + 1) / 2} * 128;
  const __m512i one = _mm512_set1_epi8(1);
  for (std::uint32_t power = 0; power < code.code_bits(); power += kRound) {
    // Low bytes of the locator, 256 powers at a time. Blocks of 64 in which one is zero are listed, without a branch that no
    // processor could predict.
    std::array<std::size_t, kRound / 64 + 1> hit{};
    std::array<std::uint64_t, kRound / 64 + 1> zeros{};
    std::size_t hits = 0;
    for (std::uint32_t first = power; first < std::min(power + kRound, code.code_bits()); first += 256) {
      const std::uint8_t* const block = &code.points[first / 64 * stride];
      __m512i value[4] = {one, one, one, one};
      for (std::size_t odd = 0; odd < odds; ++odd) {
        const __m512i low = spread(maps[odd][0]), high = spread(maps[odd][2]);
#pragma GCC unroll 4
        for (std::size_t i = 0; i < 4; ++i) {
          const std::uint8_t* const x = block + i * stride + odd * 128;
          value[i] = _mm512_ternarylogic_epi64(value[i], _mm512_gf2p8affine_epi64_epi8(_mm512_load_si512(x), low, 0),
                                               _mm512_gf2p8affine_epi64_epi8(_mm512_load_si512(x + 64), high, 0), 0x96);
        }
      }
#pragma GCC unroll 4
      for (std::size_t i = 0; i < 4; ++i) {
        hit[hits] = first / 64 + i;
        zeros[hits] = _mm512_testn_epi8_mask(value[i], value[i]);
        hits += zeros[hits] != 0 ? 1 : 0;
      }
    }
    // Their high bytes, two blocks at a time.
    if (hits > 0) hit[hits] = hit[hits - 1];
    for (std::size_t i = 0; i < hits; i += 2) {
      const std::uint8_t* const a = &code.points[hit[i] * stride];
      const std::uint8_t* const b = &code.points[hit[i + 1] * stride];
      __m512i a_sum = _mm512_setzero_si512(), b_sum = a_sum;
      for (std::size_t odd = 0; odd < odds; ++odd) {
        const __m512i low = spread(maps[odd][1]), high = spread(maps[odd][3]);
        a_sum = _mm512_ternarylogic_epi64(a_sum, _mm512_gf2p8affine_epi64_epi8(_mm512_load_si512(a + odd * 128), low, 0),
                                          _mm512_gf2p8affine_epi64_epi8(_mm512_load_si512(a + odd * 128 + 64), high, 0), 0x96);
        b_sum = _mm512_ternarylogic_epi64(b_sum, _mm512_gf2p8affine_epi64_epi8(_mm512_load_si512(b + odd * 128), low, 0),
                                          _mm512_gf2p8affine_epi64_epi8(_mm512_load_si512(b + odd * 128 + 64), high, 0), 0x96);
      }
      zeros[i] &= _mm512_testn_epi8_mask(a_sum, a_sum);
      if (i + 1 < hits) zeros[i + 1] &= _mm512_testn_epi8_mask(b_sum, b_sum);
    }
    for (std::size_t i = 0; i < hits; ++i)
      for (std::uint64_t zero = zeros[i]; zero != 0; zero &= zero - 1) {
        const auto found = static_cast<std::uint32_t>(hit[i] * 64) + static_cast<std::uint32_t>(std::countr_zero(zero));
        if (found < code.code_bits()) work.roots.push_back(found);
      }
    if (work.roots.size() == degree) return true;
    if (work.roots.size() + 4 >= degree) return work.solve_rest(code, degree, power + kRound);
  }
  return false;
}

}  // namespace steadycell::ecc::avx512

#else

namespace steadycell::ecc::avx512 {  // bch_paths() never offers it
unsigned find_locator(const BchCode::Inside&, BchWorkspace::Inside&) { return 0; }
bool search_roots(const BchCode::Inside&, BchWorkspace::Inside&, unsigned) { return false; }
}  // namespace steadycell::ecc::avx512

#endif
