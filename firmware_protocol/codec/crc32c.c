#include "steadycell/protocol.h"

/* CRC-32C: reflected polynomial 0x82F63B78, start and final value all ones (RFC 3720 section 12.1).
 *
 * Small boards take a 64-byte table, four bits a step; elsewhere eight tables take eight bytes a step (slicing, Kounavis
 * and Berry 2005); x86 with SSE4.2 has an instruction for it, which waits for its own result, so three streams side by
 * side take little longer than one (Gopal and others, "Fast CRC Computation for iSCSI Polynomial Using CRC32
 * Instruction", 2011). All give the same value; the tests compare them with a division bit by bit. */

#if defined(__x86_64__) && defined(__GNUC__)
#define SCP_CRC_SSE42 1
#include <nmmintrin.h>
#include <string.h>
#include <wmmintrin.h>
#endif

#if defined(__ARM_ARCH) && __ARM_ARCH_PROFILE == 'M'

static const uint32_t nibble_table[16] = {
    0x00000000u, 0x105ec76fu, 0x20bd8edeu, 0x30e349b1u, 0x417b1dbcu, 0x5125dad3u, 0x61c69362u, 0x7198540du,
    0x82f63b78u, 0x92a8fc17u, 0xa24bb5a6u, 0xb21572c9u, 0xc38d26c4u, 0xd3d3e1abu, 0xe330a81au, 0xf36e6f75u};

static uint32_t update(uint32_t crc, const uint8_t* bytes, size_t n) {
  for (size_t i = 0; i < n; ++i) {
    crc ^= bytes[i];
    crc = (crc >> 4) ^ nibble_table[crc & 15u];
    crc = (crc >> 4) ^ nibble_table[crc & 15u];
  }
  return crc;
}

#else

#include "codec/crc32c_tables.h"

static uint32_t update_sliced(uint32_t crc, const uint8_t* bytes, size_t n) {
  while (n >= 8) {
    const uint32_t low = crc ^ scp_get_u32(bytes), high = scp_get_u32(bytes + 4);
    crc = tables[7][low & 255u] ^ tables[6][low >> 8 & 255u] ^ tables[5][low >> 16 & 255u] ^ tables[4][low >> 24] ^
          tables[3][high & 255u] ^ tables[2][high >> 8 & 255u] ^ tables[1][high >> 16 & 255u] ^ tables[0][high >> 24];
    bytes += 8;
    n -= 8;
  }
  for (size_t i = 0; i < n; ++i) crc = (crc >> 8) ^ tables[0][(crc ^ bytes[i]) & 255u];
  return crc;
}

#ifdef SCP_CRC_SSE42
/* Inlined: a call for every eight bytes would cost more than the instruction. */
static inline uint64_t word_at(const uint8_t* at) {
  uint64_t word;
  memcpy(&word, at, sizeof word);
  return word;
}

__attribute__((target("sse4.2"))) static uint32_t update_sse42(uint32_t crc, const uint8_t* bytes, size_t n) {
  uint64_t wide = crc;
  for (; n >= 8; n -= 8, bytes += 8) wide = _mm_crc32_u64(wide, word_at(bytes));
  crc = (uint32_t)wide;
  for (size_t i = 0; i < n; ++i) crc = _mm_crc32_u8(crc, bytes[i]);
  return crc;
}

enum { kLongStream = 1024, kShortStream = 256 };
/* x^(8 n - 33) modulo the polynomial, reflected. Multiplied with one of them, a remainder moves n bytes on once the
 * instruction, which multiplies by x^33 more, has reduced the product. */
static const uint32_t kOver256 = 0xb9e02b86u, kOver512 = 0xdd7e3b0cu, kOver1024 = 0x170076fau, kOver2048 = 0xa51b6135u;

__attribute__((target("sse4.2,pclmul"))) static uint64_t moved(uint64_t crc, uint32_t over) {
  const __m128i product = _mm_clmulepi64_si128(_mm_cvtsi64_si128((long long)crc), _mm_cvtsi64_si128(over), 0);
  return _mm_crc32_u64(0, (uint64_t)_mm_cvtsi128_si64(product));
}

/* `bytes` holds three streams of `stream` bytes, one behind the other. */
__attribute__((target("sse4.2,pclmul"))) static uint32_t update_three(uint32_t crc, const uint8_t* bytes, size_t stream,
                                                                      uint32_t over_one, uint32_t over_two) {
  uint64_t first = crc, second = 0, third = 0;
  for (size_t at = 0; at < stream; at += 8) {
    first = _mm_crc32_u64(first, word_at(bytes + at));
    second = _mm_crc32_u64(second, word_at(bytes + stream + at));
    third = _mm_crc32_u64(third, word_at(bytes + 2 * stream + at));
  }
  return (uint32_t)(moved(first, over_two) ^ moved(second, over_one) ^ third);
}

static uint32_t update_side_by_side(uint32_t crc, const uint8_t* bytes, size_t n) {
  for (; n >= 3 * kLongStream; n -= 3 * kLongStream, bytes += 3 * kLongStream)
    crc = update_three(crc, bytes, kLongStream, kOver1024, kOver2048);
  for (; n >= 3 * kShortStream; n -= 3 * kShortStream, bytes += 3 * kShortStream)
    crc = update_three(crc, bytes, kShortStream, kOver256, kOver512);
  return update_sse42(crc, bytes, n);
}
#endif

static uint32_t update(uint32_t crc, const uint8_t* bytes, size_t n) {
#ifdef SCP_CRC_SSE42
  if (__builtin_cpu_supports("sse4.2"))
    return __builtin_cpu_supports("pclmul") ? update_side_by_side(crc, bytes, n) : update_sse42(crc, bytes, n);
#endif
  return update_sliced(crc, bytes, n);
}

#endif

uint32_t scp_crc32c(uint32_t crc, const uint8_t* bytes, size_t n) { return ~update(~crc, bytes, n); }
