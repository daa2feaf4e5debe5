#include <string.h>

#include "device/parts.h"

static size_t frame_bytes_at(const sc_core* core, size_t at) {
  return SCP_HEADER_BYTES + scp_get_u32(core->tx + at + 16) + SCP_TRAILER_BYTES;
}

/* Moves what waits to the front, when that is little compared with what has gone: the cost stays a fraction of a
 * copy. */
static void make_room(sc_core* core, size_t need) {
  if (core->tx_sent == core->tx_end) {
    core->tx_frame = core->tx_sent = core->tx_end = 0;
    return;
  }
  const size_t keep = core->tx_end - core->tx_frame;
  if (core->tx_size - core->tx_end >= need || keep > core->tx_frame) return;
  memcpy(core->tx, core->tx + core->tx_frame, keep); /* no overlap: keep <= tx_frame */
  core->tx_sent -= core->tx_frame;
  core->tx_end = keep;
  core->tx_frame = 0;
}

uint8_t* sc_frame_begin(sc_core* core, uint32_t payload, bool is_answer) {
  const size_t need = (size_t)SCP_HEADER_BYTES + payload + SCP_TRAILER_BYTES + (is_answer ? 0 : SC_ANSWER_RESERVE);
  make_room(core, need);
  if (core->tx_size - core->tx_end < need) return NULL;
  return core->tx + core->tx_end + SCP_HEADER_BYTES;
}

void sc_frame_end(sc_core* core, uint8_t channel, uint16_t type, uint32_t request_id, uint32_t payload) {
  uint8_t* at = core->tx + core->tx_end;
  const scp_header header = {core->version, channel, type, core->sequence[channel]++, request_id, payload};
  scp_put_header(at, &header);
  scp_put_trailer(at + SCP_HEADER_BYTES + payload, at + SCP_HEADER_BYTES, payload);
  core->tx_end += SCP_HEADER_BYTES + payload + SCP_TRAILER_BYTES;
}

void sc_answer(sc_core* core, uint16_t type, uint32_t request_id, uint16_t status, uint16_t detail,
               const uint8_t* extra, uint32_t extra_bytes) {
  uint8_t* p = sc_frame_begin(core, 4 + extra_bytes, true);
  if (!p) { /* a host that asks without listening; it will time out and abort */
    ++core->requests_lost;
    return;
  }
  scp_put_u16(p, status);
  scp_put_u16(p + 2, detail);
  if (extra_bytes > 0) memcpy(p + 4, extra, extra_bytes);
  sc_frame_end(core, SCP_CHANNEL_COMMAND, (uint16_t)(type | SCP_ANSWER), request_id, 4 + extra_bytes);
}

void sc_event(sc_core* core, uint16_t kind, uint16_t detail) {
  uint8_t* p = sc_frame_begin(core, 12, true);
  if (!p) return; /* BOARD_STATE tells the same */
  scp_put_u16(p, kind);
  scp_put_u16(p + 2, detail);
  scp_put_u64(p + 4, core->hal->now_ns(core->hal->self));
  sc_frame_end(core, SCP_CHANNEL_COMMAND, SCP_EVENT, 0, 12);
}

bool sc_transmit(sc_core* core) {
  if (core->tx_sent == core->tx_end) return false;
  const size_t taken = core->hal->send(core->hal->self, core->tx + core->tx_sent, core->tx_end - core->tx_sent);
  core->tx_sent += taken;
  while (core->tx_frame < core->tx_sent && core->tx_frame + frame_bytes_at(core, core->tx_frame) <= core->tx_sent)
    core->tx_frame += frame_bytes_at(core, core->tx_frame);
  return taken > 0;
}

void sc_transmit_drop(sc_core* core) {
  /* A frame that has begun to go out goes out whole, or the host would lose the framing. */
  const size_t keep =
      core->tx_frame < core->tx_sent ? core->tx_frame + frame_bytes_at(core, core->tx_frame) : core->tx_sent;
  core->tx_end = keep;
  memset(core->sequence, 0, sizeof core->sequence);
}

void sc_transmit_cut(sc_core* core) {
  core->tx_frame = core->tx_sent = core->tx_end = 0;
}

uint32_t sc_max_payload(const sc_core* core) {
  const size_t room = core->tx_size - SC_ANSWER_RESERVE - SCP_HEADER_BYTES - SCP_TRAILER_BYTES;
  return room < SCP_MAX_PAYLOAD ? (uint32_t)room : SCP_MAX_PAYLOAD;
}
