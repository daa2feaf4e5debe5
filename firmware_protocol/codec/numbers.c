#include "steadycell/protocol.h"

void scp_put_u16(uint8_t* at, uint16_t v) {
  at[0] = (uint8_t)v;
  at[1] = (uint8_t)(v >> 8);
}

void scp_put_u32(uint8_t* at, uint32_t v) {
  scp_put_u16(at, (uint16_t)v);
  scp_put_u16(at + 2, (uint16_t)(v >> 16));
}

void scp_put_u64(uint8_t* at, uint64_t v) {
  scp_put_u32(at, (uint32_t)v);
  scp_put_u32(at + 4, (uint32_t)(v >> 32));
}

uint16_t scp_get_u16(const uint8_t* at) {
  return (uint16_t)(at[0] | at[1] << 8);
}

uint32_t scp_get_u32(const uint8_t* at) {
  return (uint32_t)at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16 | (uint32_t)at[3] << 24;
}

uint64_t scp_get_u64(const uint8_t* at) {
  return (uint64_t)scp_get_u32(at) | (uint64_t)scp_get_u32(at + 4) << 32;
}
