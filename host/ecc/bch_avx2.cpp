// Division by carry-less multiplication, 128 bits at a time. The words of the data are each multiplied by the power of x at
// which they stand, modulo the generator, and added up: no step waits for another. What remains is 64 bits too long and is
// cut by a Barrett step (Gopal and others, Fast CRC computation for generic polynomials using PCLMULQDQ, Intel white paper,
// 2009: folding and Barrett reduction, here for polynomials of up to 1080 bits).
#include "ecc/bch_inside.h"

#if defined(__x86_64__)
#include <immintrin.h>

#include <cstring>

#define STEADYCELL_AVX2 [[gnu::target("avx2,pclmul")]]

namespace steadycell::ecc::avx2 {
namespace {

// Adds up `count` words of the product from `first` on: as many accumulators as fit the registers.
template <std::size_t count>
STEADYCELL_AVX2 void fold(const BchCode::Inside& code, const std::uint8_t* data, std::size_t first, __m128i* sums) {
  const __m128i swap = _mm_set_epi8(8, 9, 10, 11, 12, 13, 14, 15, 0, 1, 2, 3, 4, 5, 6, 7);
  __m128i sum[count];
  for (auto& one : sum) one = _mm_setzero_si128();
  alignas(16) std::uint8_t last[64] = {};
  const std::size_t before = (code.blocks - 1) * 64;
  std::memcpy(last, data + before, (code.shape.data_bits + 7) / 8 - before);
  for (std::size_t i = 0; i < 64; ++i) last[i] &= code.last_block[i];
  for (std::size_t block = 0; block < code.blocks; ++block) {
    const std::uint8_t* const from = block + 1 == code.blocks ? last : data + block * 64;
    const std::uint64_t* const powers = &code.fold[(block * code.words + first) * 8];
    for (std::size_t pair = 0; pair < 4; ++pair) {
      const __m128i two = _mm_shuffle_epi8(_mm_loadu_si128(reinterpret_cast<const __m128i*>(from + pair * 16)), swap);
#pragma GCC unroll 8
      for (std::size_t i = 0; i < count; ++i) {
        const __m128i power = _mm_loadu_si128(reinterpret_cast<const __m128i*>(powers + i * 8 + pair * 2));
        sum[i] = _mm_xor_si128(sum[i], _mm_xor_si128(_mm_clmulepi64_si128(two, power, 0x00), _mm_clmulepi64_si128(two, power, 0x11)));
      }
    }
  }
  for (std::size_t i = 0; i < count; ++i) sums[first + i] = sum[i];
}

}  // namespace

STEADYCELL_AVX2 Remainder remainder(const BchCode::Inside& code, const std::uint8_t* data) {
  __m128i sums[kRemainderWords];
  for (std::size_t first = 0; first < code.words;) switch (code.words - first) {
      case 1: fold<1>(code, data, first, sums); first += 1; break;
      case 2: fold<2>(code, data, first, sums); first += 2; break;
      case 3: fold<3>(code, data, first, sums); first += 3; break;
      case 4: fold<4>(code, data, first, sums); first += 4; break;
      case 5: fold<5>(code, data, first, sums); first += 5; break;
      case 6: fold<6>(code, data, first, sums); first += 6; break;
      case 7: fold<7>(code, data, first, sums); first += 7; break;
      default: fold<8>(code, data, first, sums); first += 8; break;
    }
  const auto low = [](__m128i a) { return static_cast<std::uint64_t>(a[0]); };
  const auto high = [](__m128i a) { return static_cast<std::uint64_t>(a[1]); };
  // The highest word is beyond the generator's degree: it tells how often the generator is to be taken away.
  const std::uint64_t beyond = high(sums[0]);
  const __m128i times = _mm_cvtsi64_si128(static_cast<long long>(beyond));
  const __m128i more = _mm_clmulepi64_si128(times, _mm_cvtsi64_si128(static_cast<long long>(code.quotient)), 0x00);
  const __m128i taken = _mm_xor_si128(times, _mm_srli_si128(more, 8));
  Remainder r{};
  for (std::size_t i = 0; i < code.words; ++i) {
    const __m128i product = _mm_clmulepi64_si128(taken, _mm_cvtsi64_si128(static_cast<long long>(code.generator_tail[i])), 0x00);
    sums[i] = _mm_xor_si128(sums[i], product);
    if (i > 0) r[i - 1] ^= high(sums[i]);
    r[i] = low(sums[i]);
  }
  return r;
}

}  // namespace steadycell::ecc::avx2

#else

namespace steadycell::ecc::avx2 {
Remainder remainder(const BchCode::Inside&, const std::uint8_t*) { return {}; }  // bch_paths() never offers it
}  // namespace steadycell::ecc::avx2

#endif
