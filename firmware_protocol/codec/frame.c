#include <string.h>

#include "steadycell/protocol.h"

static const uint8_t magic[4] = {0x53, 0x64, 0x43, 0x31};

void scp_put_header(uint8_t at[SCP_HEADER_BYTES], const scp_header* header) {
  memcpy(at, magic, 4);
  at[4] = header->version;
  at[5] = header->channel;
  scp_put_u16(at + 6, header->type);
  scp_put_u32(at + 8, header->sequence);
  scp_put_u32(at + 12, header->request_id);
  scp_put_u32(at + 16, header->length);
  scp_put_u32(at + 20, scp_crc32c(0, at, 20));
}

bool scp_get_header(const uint8_t at[SCP_HEADER_BYTES], uint32_t max_payload, scp_header* header) {
  if (memcmp(at, magic, 4) != 0 || scp_get_u32(at + 20) != scp_crc32c(0, at, 20)) return false;
  header->version = at[4];
  header->channel = at[5];
  header->type = scp_get_u16(at + 6);
  header->sequence = scp_get_u32(at + 8);
  header->request_id = scp_get_u32(at + 12);
  header->length = scp_get_u32(at + 16);
  return header->channel < SCP_CHANNELS && header->length <= max_payload;
}

void scp_put_trailer(uint8_t at[SCP_TRAILER_BYTES], const uint8_t* payload, size_t n) {
  scp_put_u32(at, scp_crc32c(0, payload, n));
}
