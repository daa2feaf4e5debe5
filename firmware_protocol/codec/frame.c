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

void scp_parser_init(scp_parser* parser, uint8_t* buffer, size_t capacity) {
  memset(parser, 0, sizeof *parser);
  parser->buffer = buffer;
  parser->capacity = capacity;
  parser->max_payload = (uint32_t)(capacity - SCP_HEADER_BYTES - SCP_TRAILER_BYTES);
  if (parser->max_payload > SCP_MAX_PAYLOAD) parser->max_payload = SCP_MAX_PAYLOAD;
}

/* Drops `n` bytes from the front of the buffer. */
static void drop(scp_parser* parser, size_t n) {
  parser->fill -= n;
  memmove(parser->buffer, parser->buffer + n, parser->fill);
}

/* Drops the byte at the front and everything up to where a magic could start. */
static void drop_to_next_magic(scp_parser* parser) {
  size_t at = 1;
  while (at < parser->fill) {
    const uint8_t* next = memchr(parser->buffer + at, magic[0], parser->fill - at);
    if (!next) {
      at = parser->fill;
      break;
    }
    at = (size_t)(next - parser->buffer);
    const size_t left = parser->fill - at;
    if (memcmp(next, magic, left < 4 ? left : 4) == 0) break;
    ++at;
  }
  parser->skipped_bytes += at;
  drop(parser, at);
}

/* Bytes the buffer must hold before the next decision can be taken. */
static size_t wanted(const scp_parser* parser) {
  scp_header header;
  if (parser->fill < SCP_HEADER_BYTES) return SCP_HEADER_BYTES;
  if (!scp_get_header(parser->buffer, parser->max_payload, &header)) return parser->fill;
  return SCP_HEADER_BYTES + header.length + SCP_TRAILER_BYTES;
}

size_t scp_parser_feed(scp_parser* parser, const uint8_t* bytes, size_t n, bool* found, scp_header* header,
                       const uint8_t** payload) {
  size_t taken = 0;
  *found = false;
  if (parser->done > 0) {
    drop(parser, parser->done);
    parser->done = 0;
  }
  for (;;) {
    /* Never more than the frame at the front needs: behind a good frame the buffer is empty, so nothing is moved. */
    const size_t want = wanted(parser);
    if (parser->fill < want) {
      const size_t room = want - parser->fill;
      const size_t piece = n - taken < room ? n - taken : room;
      memcpy(parser->buffer + parser->fill, bytes + taken, piece);
      parser->fill += piece;
      taken += piece;
      /* A wrong magic shows at once; what is not a frame must not be waited for. */
      if (parser->fill > 0 && memcmp(parser->buffer, magic, parser->fill < 4 ? parser->fill : 4) != 0) {
        drop_to_next_magic(parser);
        continue;
      }
      if (parser->fill < want) return taken;
      continue;
    }
    if (!scp_get_header(parser->buffer, parser->max_payload, header)) {
      if (memcmp(parser->buffer, magic, 4) == 0) ++parser->bad_frames;
      drop_to_next_magic(parser);
      continue;
    }
    const uint8_t* body = parser->buffer + SCP_HEADER_BYTES;
    if (scp_get_u32(body + header->length) != scp_crc32c(0, body, header->length)) {
      ++parser->bad_frames;
      drop_to_next_magic(parser);
      continue;
    }
    *payload = body;
    *found = true;
    parser->skipped_bytes = 0;
    parser->done = SCP_HEADER_BYTES + header->length + SCP_TRAILER_BYTES;
    return taken;
  }
}
