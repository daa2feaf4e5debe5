#include "steadycell/protocol.h"

/* CRC-32C: reflected polynomial 0x82F63B78, start and final value all ones (RFC 3720 section 12.1).
 *
 * Small boards take a 64-byte table, four bits a step; elsewhere eight tables take eight bytes a step (slicing, Kounavis
 * and Berry 2005); x86 with SSE4.2 has an instruction for it. All three give the same value; the tests compare them. */

#if defined(__x86_64__) && defined(__GNUC__)
#define SCP_CRC_SSE42 1
#include <nmmintrin.h>
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
__attribute__((target("sse4.2"))) static uint32_t update_sse42(uint32_t crc, const uint8_t* bytes, size_t n) {
  uint64_t wide = crc;
  for (; n >= 8; n -= 8, bytes += 8) wide = _mm_crc32_u64(wide, scp_get_u64(bytes));
  crc = (uint32_t)wide;
  for (size_t i = 0; i < n; ++i) crc = _mm_crc32_u8(crc, bytes[i]);
  return crc;
}
#endif

static uint32_t update(uint32_t crc, const uint8_t* bytes, size_t n) {
#ifdef SCP_CRC_SSE42
  if (__builtin_cpu_supports("sse4.2")) return update_sse42(crc, bytes, n);
#endif
  return update_sliced(crc, bytes, n);
}

#endif

uint32_t scp_crc32c(uint32_t crc, const uint8_t* bytes, size_t n) { return ~update(~crc, bytes, n); }
