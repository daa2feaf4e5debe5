#include "device/parts.h"

enum { BYTES_PER_POSITION = 5, PACKAGE_PINS = 48, LAST_ON_SIDE = 24, FORCE_UA = 100, COMPLIANCE_MV = 1500 };

void sc_contact_measure(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  (void)n;
  uint16_t status = SCP_OK, detail = 0;
  if (p[0] < 1 || p[0] > SCP_CONTACT_RAIL) {
    status = SCP_BAD_REQUEST;
  } else if (p[1] < 1 || p[1] > SCP_CONTACT_RAIL - p[0] + 1) {
    status = SCP_BAD_REQUEST;
    detail = 1;
  } else if (sc_is_measuring(core)) {
    status = SCP_BUSY;
  } else if (!sc_rail_is_bled(core, SCP_RAIL_SOCKET) || !sc_rail_is_bled(core, SCP_RAIL_PORT)) {
    status = SCP_REFUSED_RAIL; /* the test current means nothing on a live rail, and could harm */
  }
  if (status != SCP_OK) {
    sc_answer(core, SCP_CONTACT_MEASURE, request_id, status, detail, NULL, 0);
    return;
  }
  core->contact.running = true;
  core->contact.request_id = request_id;
  core->contact.first = p[0];
  core->contact.count = p[1];
  core->contact.next = 0;
}

static bool are_neighbours(uint8_t a, uint8_t b) {
  /* 24 and 25 lie at package ends on opposite sides. */
  return a >= 1 && b <= PACKAGE_PINS && a != LAST_ON_SIDE;
}

static uint8_t bridged_with(const sc_core* core, uint8_t position) {
  const sc_hal* hal = core->hal;
  if (position > PACKAGE_PINS) return 0;
  const uint8_t after = (uint8_t)(position + 1), before = (uint8_t)(position - 1);
  if (are_neighbours(position, after) && hal->contact_bridged(hal->self, position, after)) return after;
  if (are_neighbours(before, position) && hal->contact_bridged(hal->self, before, position)) return before;
  return 0;
}

static uint16_t force(const sc_core* core, uint8_t position, int16_t microamps) {
  int32_t mv = core->hal->contact_force(core->hal->self, position, microamps);
  if (mv > COMPLIANCE_MV) mv = COMPLIANCE_MV;
  if (mv < -COMPLIANCE_MV) mv = -COMPLIANCE_MV;
  return (uint16_t)mv;
}

/* One position a step, so that heartbeat and abort are served in between. */
void sc_contact_step(sc_core* core) {
  sc_contact* c = &core->contact;
  const uint8_t position = (uint8_t)(c->first + c->next);
  uint8_t* at = c->results + (size_t)c->next * BYTES_PER_POSITION;
  scp_put_u16(at, force(core, position, FORCE_UA));
  scp_put_u16(at + 2, force(core, position, -FORCE_UA));
  at[4] = bridged_with(core, position);
  if (++c->next < c->count) return;

  uint8_t extra[2 + sizeof c->results];
  extra[0] = c->first;
  extra[1] = c->count;
  const uint32_t bytes = (uint32_t)c->count * BYTES_PER_POSITION;
  for (uint32_t i = 0; i < bytes; ++i) extra[2 + i] = c->results[i];
  c->running = false;
  sc_answer(core, SCP_CONTACT_MEASURE, c->request_id, SCP_OK, 0, extra, 2 + bytes);
}
