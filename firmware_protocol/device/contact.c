#include "device/parts.h"

enum { BYTES_PER_POSITION = 5, PACKAGE_PINS = 48, LAST_ON_SIDE = 24, FORCE_UA = 100, BLED_MV = 100 };

void sc_contact_measure(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  uint16_t status = SCP_OK, detail = 0;
  if (n != 2 || p[0] < 1 || p[0] > SCP_CONTACT_RAIL || p[1] < 1 || p[1] > SCP_CONTACT_RAIL - p[0] + 1) {
    status = SCP_BAD_REQUEST;
    detail = n != 2 ? (uint16_t)n : p[0] < 1 || p[0] > SCP_CONTACT_RAIL ? 0 : 1;
  } else if (sc_pending(core) || core->runs_count > 0) {
    status = SCP_BUSY;
  } else if (core->socket_set_mv != 0 || core->hal->meter(core->hal->self, SC_METER_SOCKET_MV) >= BLED_MV) {
    status = SCP_REFUSED_RAIL; /* the test current means nothing on a live rail, and could harm */
  }
  if (status != SCP_OK) {
    sc_answer(core, SCP_CONTACT_MEASURE, request_id, status, detail, NULL, 0);
    return;
  }
  core->pending.kind = SC_PENDING_CONTACT;
  core->pending.request_id = request_id;
  core->pending.first = p[0];
  core->pending.count = p[1];
  core->pending.next = 0;
}

static bool neighbours(uint8_t a, uint8_t b) {
  /* 24 and 25 lie at package ends on opposite sides. */
  return a >= 1 && b <= PACKAGE_PINS && a != LAST_ON_SIDE;
}

static uint8_t bridged_with(const sc_core* core, uint8_t position) {
  const sc_hal* hal = core->hal;
  if (position > PACKAGE_PINS) return 0;
  const uint8_t after = (uint8_t)(position + 1), before = (uint8_t)(position - 1);
  if (neighbours(position, after) && hal->contact_bridged(hal->self, position, after)) return after;
  if (neighbours(before, position) && hal->contact_bridged(hal->self, before, position)) return before;
  return 0;
}

/* One position a step, so that heartbeat and abort are served in between. */
void sc_contact_step(sc_core* core) {
  const sc_hal* hal = core->hal;
  const uint8_t position = (uint8_t)(core->pending.first + core->pending.next);
  uint8_t* at = core->contact + (size_t)core->pending.next * BYTES_PER_POSITION;
  scp_put_u16(at, (uint16_t)hal->contact_force(hal->self, position, FORCE_UA));
  scp_put_u16(at + 2, (uint16_t)hal->contact_force(hal->self, position, -FORCE_UA));
  at[4] = bridged_with(core, position);
  if (++core->pending.next < core->pending.count) return;

  uint8_t extra[2 + sizeof core->contact];
  extra[0] = core->pending.first;
  extra[1] = core->pending.count;
  const uint32_t bytes = (uint32_t)core->pending.count * BYTES_PER_POSITION;
  for (uint32_t i = 0; i < bytes; ++i) extra[2 + i] = core->contact[i];
  const uint32_t request_id = core->pending.request_id;
  core->pending.kind = SC_PENDING_NONE;
  sc_answer(core, SCP_CONTACT_MEASURE, request_id, SCP_OK, 0, extra, 2 + bytes);
}
