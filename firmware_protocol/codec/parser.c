/* A frame that lies whole in the bytes handed over is reported where it lies. Only what the end of a chunk cuts is
 * copied into the buffer, where the frame is then completed. When that frame turns out broken, the buffer is
 * searched from the byte behind its start; what a candidate there lacks comes from the next bytes again. */
#include <string.h>

#include "steadycell/protocol.h"

enum { kMagicBytes = 4 };
static const uint8_t kMagic[kMagicBytes] = {0x53, 0x64, 0x43, 0x31};

enum look { kNoFrame, kBroken, kNeedsMore, kWhole };

void scp_parser_init(scp_parser* parser, uint8_t* buffer, size_t capacity) {
  memset(parser, 0, sizeof *parser);
  parser->buffer = buffer;
  parser->capacity = capacity;
  const size_t room = capacity - SCP_HEADER_BYTES - SCP_TRAILER_BYTES;
  parser->max_payload = room < SCP_MAX_PAYLOAD ? (uint32_t)room : SCP_MAX_PAYLOAD;
}

/* What stands at `at`. *need: bytes that the frame there has, or, when that is not known yet, a header's. */
static enum look look_at(const scp_parser* parser, const uint8_t* at, size_t n, scp_header* header, size_t* need) {
  if (memcmp(at, kMagic, n < kMagicBytes ? n : kMagicBytes) != 0) return kNoFrame;
  *need = SCP_HEADER_BYTES;
  if (n < SCP_HEADER_BYTES) return kNeedsMore;
  if (!scp_get_header(at, parser->max_payload, header)) return kBroken;
  *need = (size_t)SCP_HEADER_BYTES + header->length + SCP_TRAILER_BYTES;
  if (n < *need) return kNeedsMore;
  const uint8_t* payload = at + SCP_HEADER_BYTES;
  return scp_get_u32(payload + header->length) == scp_crc32c(0, payload, header->length) ? kWhole : kBroken;
}

/* Bytes (n is not 0) from `at`, where no frame starts, to the next place where one could. A loop: a board without a C
 * library has no memchr. */
static size_t to_next_start(const uint8_t* at, size_t n) {
  size_t next = 1;
  while (next < n && at[next] != kMagic[0]) ++next;
  return next;
}

static size_t skip(scp_parser* parser, enum look seen, const uint8_t* at, size_t n) {
  if (seen == kBroken) ++parser->bad_frames;
  const size_t bytes = to_next_start(at, n);
  parser->skipped_bytes += bytes;
  return bytes;
}

/* Moves what the frame at the front of the buffer lacks, at most n bytes, behind it. */
static size_t complete(scp_parser* parser, size_t need, const uint8_t* bytes, size_t n) {
  const size_t have = parser->fill - parser->done;
  const size_t take = n < need - have ? n : need - have;
  if (parser->done + need > parser->capacity) {
    memmove(parser->buffer, parser->buffer + parser->done, have);
    parser->done = 0;
    parser->fill = have;
  }
  memcpy(parser->buffer + parser->fill, bytes, take);
  parser->fill += take;
  return take;
}

size_t scp_parser_feed(scp_parser* parser, const uint8_t* bytes, size_t n, bool* found, scp_header* header,
                       const uint8_t** payload) {
  size_t took = 0;
  size_t need = 0;
  *found = false;
  while (parser->done < parser->fill) {
    const uint8_t* at = parser->buffer + parser->done;
    const size_t have = parser->fill - parser->done;
    const enum look seen = look_at(parser, at, have, header, &need);
    if (seen == kWhole) {
      parser->done += need;
      *payload = at + SCP_HEADER_BYTES;
      *found = true;
      return took;
    }
    if (seen == kNeedsMore) {
      if (took == n) return took;
      took += complete(parser, need, bytes + took, n - took);
    } else {
      parser->done += skip(parser, seen, at, have);
    }
  }
  parser->done = 0;
  parser->fill = 0;
  while (took < n) {
    const uint8_t* at = bytes + took;
    const enum look seen = look_at(parser, at, n - took, header, &need);
    if (seen == kWhole) {
      *payload = at + SCP_HEADER_BYTES;
      *found = true;
      return took + need;
    }
    if (seen == kNeedsMore) {
      memcpy(parser->buffer, at, n - took);
      parser->fill = n - took;
      return n;
    }
    took += skip(parser, seen, at, n - took);
  }
  return took;
}

bool scp_parser_give_up(scp_parser* parser) {
  if (parser->done == parser->fill) return false;
  ++parser->bad_frames;
  ++parser->skipped_bytes;
  ++parser->done;
  return true;
}
