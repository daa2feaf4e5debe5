// Division as in bch_avx2.cpp, 512 bits at a time; syndromes.
#include "ecc/bch_avx512.h"
#include "ecc/bch_inside.h"

#if defined(__x86_64__)

#include <bit>
#include <cstring>

namespace steadycell::ecc::avx512 {
namespace {

// a, b, c, d, each the sum of its four lanes, in the lanes of one register.
STEADYCELL_AVX512 inline __m512i sum_lanes(__m512i a, __m512i b, __m512i c, __m512i d) {
  const __m512i ab = _mm512_xor_si512(_mm512_shuffle_i64x2(a, b, 0x44), _mm512_shuffle_i64x2(a, b, 0xEE));
  const __m512i cd = _mm512_xor_si512(_mm512_shuffle_i64x2(c, d, 0x44), _mm512_shuffle_i64x2(c, d, 0xEE));
  return _mm512_xor_si512(_mm512_shuffle_i64x2(ab, cd, 0x88), _mm512_shuffle_i64x2(ab, cd, 0xDD));
}

template <std::size_t words>
STEADYCELL_AVX512 Remainder divide(const BchCode::Inside& code, const std::uint8_t* data) {
  const __m512i swap = _mm512_broadcast_i32x4(_mm_set_epi8(8, 9, 10, 11, 12, 13, 14, 15, 0, 1, 2, 3, 4, 5, 6, 7));
  constexpr std::size_t quads = (words + 3) / 4;
  __m512i sum[quads * 4];
#pragma GCC unroll 20
  for (std::size_t i = 0; i < quads * 4; ++i) sum[i] = _mm512_setzero_si512();
  const std::size_t before = (code.blocks - 1) * 64, left = (code.shape.data_bits + 7) / 8 - before;
  const std::uint64_t* powers = code.fold.data();
  for (std::size_t block = 0; block < code.blocks; ++block, powers += words * 8) {
    __m512i eight;
    if (block + 1 < code.blocks)
      eight = _mm512_loadu_si512(data + block * 64);
    else
      eight = _mm512_and_si512(_mm512_maskz_loadu_epi8(~0ull >> (64 - left), data + before), _mm512_loadu_si512(code.last_block.data()));
    eight = _mm512_shuffle_epi8(eight, swap);
#pragma GCC unroll 20
    for (std::size_t i = 0; i < words; ++i) {
      const __m512i power = _mm512_loadu_si512(powers + i * 8);
      const __m512i even = _mm512_clmulepi64_epi128(eight, power, 0x00), odd = _mm512_clmulepi64_epi128(eight, power, 0x11);
      sum[i] = _mm512_ternarylogic_epi64(sum[i], even, odd, 0x96);
    }
  }
  __m512i total[quads + 1];  // words of the product in pairs: (low, high) of each sum
#pragma GCC unroll 5
  for (std::size_t i = 0; i < quads; ++i) total[i] = sum_lanes(sum[4 * i], sum[4 * i + 1], sum[4 * i + 2], sum[4 * i + 3]);
  total[quads] = _mm512_setzero_si512();
  // The highest word is beyond the generator's degree: it tells how often the generator is to be taken away.
  const __m128i first = _mm512_castsi512_si128(total[0]);
  const __m128i beyond = _mm_unpackhi_epi64(first, first);
  const __m128i more = _mm_clmulepi64_si128(beyond, _mm_loadl_epi64(reinterpret_cast<const __m128i*>(&code.quotient)), 0x00);
  const __m512i taken = _mm512_broadcastq_epi64(_mm_xor_si128(beyond, _mm_unpackhi_epi64(more, more)));
#pragma GCC unroll 5
  for (std::size_t i = 0; i < quads; ++i) {
    constexpr __mmask8 in_last = words % 4 == 0 ? 0x0F : (1u << words % 4) - 1;
    const __mmask8 there = i + 1 < quads ? 0x0F : in_last;
    const __m512i tail = _mm512_maskz_expand_epi64(0x55, _mm512_maskz_loadu_epi64(there, code.generator_tail.data() + 4 * i));
    total[i] = _mm512_xor_si512(total[i], _mm512_clmulepi64_epi128(taken, tail, 0x00));
  }
  // Word i is the low half of sum i and the high half of sum i + 1.
  Remainder r;
  alignas(64) std::uint64_t out[(quads + 1) / 2 * 8];
  const __m512i lows = _mm512_set_epi64(14, 12, 10, 8, 6, 4, 2, 0), highs = _mm512_set_epi64(15, 13, 11, 9, 7, 5, 3, 1);
#pragma GCC unroll 3
  for (std::size_t i = 0; i < quads; i += 2) {
    const __m512i low = _mm512_permutex2var_epi64(total[i], lows, total[i + 1]);
    const __m512i high = _mm512_permutex2var_epi64(total[i], highs, total[i + 1]);
    const __m512i next = i + 2 < quads ? _mm512_permutex2var_epi64(total[i + 2], highs, _mm512_setzero_si512()) : _mm512_setzero_si512();
    _mm512_store_si512(out + i * 4, _mm512_xor_si512(low, _mm512_alignr_epi64(next, high, 1)));
  }
  std::memcpy(r.data(), out, words * 8);
  return r;
}

using Divide = Remainder (*)(const BchCode::Inside&, const std::uint8_t*);
constexpr Divide kDivide[] = {nullptr,    divide<1>,  divide<2>,  divide<3>,  divide<4>,  divide<5>,  divide<6>,  divide<7>,  divide<8>,
                              divide<9>,  divide<10>, divide<11>, divide<12>, divide<13>, divide<14>, divide<15>, divide<16>, divide<17>};

template <std::size_t registers>
STEADYCELL_AVX512 void add_columns(const BchCode::Inside& code, const Remainder& r, std::uint64_t* odd) {
  __m512i sum[registers];
  for (auto& one : sum) one = _mm512_setzero_si512();
  for (std::size_t word = 0; word < code.words; ++word) {
    const std::uint64_t* const columns = &code.odd_syndromes[word * 64 * registers * 8];
    for (std::uint64_t left = r[word]; left != 0; left &= left - 1) {
      const auto bit = static_cast<std::size_t>(63 - std::countr_zero(left));
      const std::uint64_t* const column = columns + bit * registers * 8;
      for (std::size_t i = 0; i < registers; ++i) sum[i] = _mm512_xor_si512(sum[i], _mm512_load_si512(column + i * 8));
    }
  }
  for (std::size_t i = 0; i < registers; ++i) _mm512_storeu_si512(odd + i * 8, sum[i]);
}

}  // namespace

Remainder remainder(const BchCode::Inside& code, const std::uint8_t* data) { return kDivide[code.words](code, data); }

void add_columns(const BchCode::Inside& code, const Remainder& r, std::uint64_t* odd) {
  switch (code.odd_words / 8) {
    case 1: return add_columns<1>(code, r, odd);
    case 2: return add_columns<2>(code, r, odd);
    default: return add_columns<3>(code, r, odd);
  }
}

}  // namespace steadycell::ecc::avx512

#else

namespace steadycell::ecc::avx512 {  // bch_paths() never offers it
Remainder remainder(const BchCode::Inside&, const std::uint8_t*) { return {}; }
void add_columns(const BchCode::Inside&, const Remainder&, std::uint64_t*) {}
}  // namespace steadycell::ecc::avx512

#endif
