#include <string.h>

#include "device/parts.h"

enum {
  BLEED_MV = 100,
  PORT_MV = 5000,
  PORT_LEAST_MV = 4400,
  SOCKET_MOST_MA = 500,
  PORT_MOST_MA = 900,
  LONGEST_RAMP_MS = 1000
};
#define MS 1000000ull
#define HEARTBEAT_NS (500 * MS)
#define WATCH_NS (MS / 5)
#define SOCKET_RISE_NS (20 * MS) /* a socket rail must stand by then */
#define AFTER_RAMP_NS (1 * MS)   /* the port's limiter has had its say by then */
#define PORT_LOW_NS (5 * MS)
#define BLEED_NS (2000 * MS)

/* What differs between the two rails. */
typedef struct rail_kind {
  uint8_t mv_meter;
  uint16_t on_type, off_type, on_event, off_event, trip_event;
} rail_kind;

static const rail_kind kinds[2] = {
    {SC_METER_SOCKET_MV, SCP_SOCKET_ON, SCP_SOCKET_OFF, SCP_EVENT_SOCKET_ON, SCP_EVENT_SOCKET_OFF,
     SCP_EVENT_SOCKET_TRIP},
    {SC_METER_PORT_MV, SCP_PORT_ON, SCP_PORT_OFF, SCP_EVENT_PORT_ON, SCP_EVENT_PORT_OFF, SCP_EVENT_PORT_TRIP},
};

static uint64_t now_ns(const sc_core* core) {
  return core->hal->now_ns(core->hal->self);
}

static int32_t meter(const sc_core* core, int which) {
  return core->hal->meter(core->hal->self, which);
}

static uint16_t rail_mv(const sc_core* core, uint8_t rail) {
  return sc_positive_u16(meter(core, kinds[rail].mv_meter));
}

static uint16_t rail_ma(const sc_core* core, uint8_t rail) {
  return sc_positive_u16(rail == SCP_RAIL_SOCKET ? meter(core, SC_METER_SOCKET_MA)
                                                 : meter(core, SC_METER_PORT_UA) / 1000);
}

bool sc_rail_is_bled(const sc_core* core, uint8_t rail) {
  return core->rails[rail].set_mv == 0 && core->rails[rail].switching == SC_STEADY &&
         rail_mv(core, rail) < BLEED_MV;
}

/* ---- Switching ---- */

static void answer_mv(sc_core* core, uint16_t type, uint32_t request_id, uint16_t status, uint16_t detail,
                      uint16_t mv) {
  uint8_t extra[2];
  scp_put_u16(extra, mv);
  if (request_id != 0) sc_answer(core, type, request_id, status, detail, extra, sizeof extra);
}

static void drive(sc_core* core, uint8_t rail, uint16_t mv, bool data_lines) {
  const sc_rail* r = &core->rails[rail];
  if (rail == SCP_RAIL_SOCKET)
    core->hal->socket_rail(core->hal->self, mv, mv == 0 ? 0 : r->limit_ma);
  else
    core->hal->port_rail(core->hal->self, mv, mv == 0 ? 0 : r->limit_ma, mv == 0 ? 0 : r->ramp_ms, data_lines);
}

static void begin_switch(sc_core* core, uint8_t rail, enum sc_switching switching, uint32_t request_id) {
  core->rails[rail].switching = switching;
  core->rails[rail].request_id = request_id;
  core->rails[rail].started_ns = now_ns(core);
  core->rails[rail].low_since_ns = 0;
}

/* Off at once; whoever waits for the rail to come up hears `status`. The bleed is then watched. */
static void cut(sc_core* core, uint8_t rail, uint16_t status, uint16_t detail) {
  sc_rail* r = &core->rails[rail];
  const uint16_t mv = rail_mv(core, rail);
  drive(core, rail, 0, false);
  r->set_mv = 0;
  r->keep = false;
  if (rail == SCP_RAIL_SOCKET) {
    core->trusted = false;
    core->id_now.length = 0;
  }
  if (r->switching == SC_SWITCHING_ON) answer_mv(core, kinds[rail].on_type, r->request_id, status, detail, mv);
  begin_switch(core, rail, SC_SWITCHING_OFF, 0);
}

void sc_rails_init(sc_core* core) {
  for (uint8_t rail = 0; rail < 2; ++rail) drive(core, rail, 0, false);
}

void sc_rails_forget_requests(sc_core* core) {
  for (uint8_t rail = 0; rail < 2; ++rail) core->rails[rail].request_id = 0;
}

/* Switching off is never refused: it ends a switch-on under way, and joins a switch-off that nobody waits for. */
static void switch_off(sc_core* core, uint8_t rail, uint32_t request_id) {
  sc_rail* r = &core->rails[rail];
  if (r->switching == SC_SWITCHING_OFF) {
    if (r->request_id != 0) {
      answer_mv(core, kinds[rail].off_type, request_id, SCP_BUSY, 0, rail_mv(core, rail));
      return;
    }
    r->request_id = request_id;
    return;
  }
  cut(core, rail, SCP_ABORTED, 0);
  r->request_id = request_id;
}

void sc_rails_cut(sc_core* core) {
  for (uint8_t rail = 0; rail < 2; ++rail)
    if (core->rails[rail].switching != SC_SWITCHING_OFF) cut(core, rail, SCP_ABORTED, 0);
}

/* ---- What the chip said ---- */

/* An ID of only FF or only 00 is a silent bus, not an answer. */
static bool is_answer(const uint8_t* id, uint8_t n) {
  bool all_ff = true, all_00 = true;
  for (uint8_t i = 0; i < n; ++i) {
    all_ff = all_ff && id[i] == 0xFF;
    all_00 = all_00 && id[i] == 0x00;
  }
  return n >= 2 && !all_ff && !all_00;
}

static bool is_same(const uint8_t* id, uint8_t n, const sc_seen_id* seen) {
  return n <= seen->length && is_answer(id, n) && memcmp(id, seen->bytes, n) == 0;
}

void sc_rails_saw_id(sc_core* core, const uint8_t* out, uint32_t n) {
  const uint32_t lane_bytes = core->shape.bus_bits / 8u; /* an ID stands on the low lanes */
  sc_seen_id seen = {{0}, 0};
  for (uint32_t at = 0; at < n && seen.length < SC_ID_BYTES; at += lane_bytes) seen.bytes[seen.length++] = out[at];
  if (core->id_now.length > 0 || !is_answer(seen.bytes, seen.length)) return; /* the first answer counts */
  core->id_now = seen;
  if (core->rails[SCP_RAIL_SOCKET].set_mv == 1800) core->id_at_1v8 = seen;
}

/* ---- Requests ---- */

void sc_socket_on(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  sc_rail* r = &core->rails[SCP_RAIL_SOCKET];
  const uint16_t mv = scp_get_u16(p), limit_ma = scp_get_u16(p + 2);
  const uint8_t ground = p[4];
  uint16_t status = SCP_OK, detail = 0;
  if (mv != 1800 && mv != 3300) {
    status = SCP_BAD_REQUEST;
  } else if (limit_ma == 0 || limit_ma > SOCKET_MOST_MA) {
    status = SCP_BAD_REQUEST;
    detail = 2;
  } else if (ground > SCP_GROUND_USER_WORD) {
    status = SCP_BAD_REQUEST;
    detail = 4;
  } else if (n != 7u + p[6]) {
    status = SCP_BAD_REQUEST;
    detail = 6;
  } else if (r->switching != SC_STEADY || sc_is_measuring(core)) {
    status = SCP_BUSY;
  } else if (meter(core, SC_METER_LID_OPEN) != 0) {
    status = SCP_LID_OPEN;
  } else if (!sc_rail_is_bled(core, SCP_RAIL_SOCKET)) {
    status = SCP_REFUSED_RAIL;
    detail = rail_mv(core, SCP_RAIL_SOCKET);
  } else if (mv == 3300 && (ground == SCP_GROUND_PROBE ||
                            (ground == SCP_GROUND_CHIP_ANSWER && !is_same(p + 7, p[6], &core->id_at_1v8)))) {
    status = SCP_REFUSED_RAIL;
  }
  if (status != SCP_OK) {
    answer_mv(core, SCP_SOCKET_ON, request_id, status, detail, rail_mv(core, SCP_RAIL_SOCKET));
    return;
  }
  if (mv == 3300 && ground == SCP_GROUND_USER_WORD) ++core->consents;
  r->set_mv = mv;
  r->limit_ma = limit_ma;
  core->trusted = mv == 3300;
  core->id_now.length = 0;
  begin_switch(core, SCP_RAIL_SOCKET, SC_SWITCHING_ON, request_id);
  drive(core, SCP_RAIL_SOCKET, mv, false);
}

void sc_socket_off(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  (void)p;
  (void)n;
  switch_off(core, SCP_RAIL_SOCKET, request_id);
}

void sc_socket_trust(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  uint16_t status = SCP_OK;
  if (n != 1u + p[0])
    status = SCP_BAD_REQUEST;
  else if (core->rails[SCP_RAIL_SOCKET].set_mv == 0 || !is_same(p + 1, p[0], &core->id_now))
    status = SCP_REFUSED_RAIL;
  else
    core->trusted = true;
  sc_answer(core, SCP_SOCKET_TRUST, request_id, status, 0, NULL, 0);
}

void sc_port_on(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  (void)n;
  enum { DATA_LINES = 1, KEEP = 2 };
  sc_rail* r = &core->rails[SCP_RAIL_PORT];
  const uint16_t limit_ma = scp_get_u16(p + 2), ramp_ms = scp_get_u16(p + 4);
  uint16_t status = SCP_OK, detail = 0;
  if (scp_get_u16(p) != PORT_MV) {
    status = SCP_BAD_REQUEST;
  } else if (limit_ma == 0 || limit_ma > PORT_MOST_MA) {
    status = SCP_BAD_REQUEST;
    detail = 2;
  } else if (ramp_ms > LONGEST_RAMP_MS) {
    status = SCP_BAD_REQUEST;
    detail = 4;
  } else if ((p[6] & ~(DATA_LINES | KEEP)) != 0) {
    status = SCP_BAD_REQUEST;
    detail = 6;
  } else if (r->switching != SC_STEADY || sc_is_measuring(core)) {
    status = SCP_BUSY;
  } else if (!sc_rail_is_bled(core, SCP_RAIL_PORT)) {
    status = SCP_REFUSED_RAIL;
    detail = rail_mv(core, SCP_RAIL_PORT);
  }
  if (status != SCP_OK) {
    answer_mv(core, SCP_PORT_ON, request_id, status, detail, rail_mv(core, SCP_RAIL_PORT));
    return;
  }
  r->set_mv = PORT_MV;
  r->limit_ma = limit_ma;
  r->ramp_ms = ramp_ms;
  r->keep = (p[6] & KEEP) != 0;
  begin_switch(core, SCP_RAIL_PORT, SC_SWITCHING_ON, request_id);
  drive(core, SCP_RAIL_PORT, PORT_MV, (p[6] & DATA_LINES) != 0);
}

void sc_port_off(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  (void)p;
  (void)n;
  switch_off(core, SCP_RAIL_PORT, request_id);
}

/* ---- Looking after them ---- */

static void stands(sc_core* core, uint8_t rail, uint16_t mv) {
  sc_rail* r = &core->rails[rail];
  r->switching = SC_STEADY;
  answer_mv(core, kinds[rail].on_type, r->request_id, SCP_OK, 0, mv);
  sc_event(core, kinds[rail].on_event, mv);
}

static void trips(sc_core* core, uint8_t rail) {
  const uint16_t ma = rail_ma(core, rail);
  cut(core, rail, SCP_CURRENT_LIMIT, ma);
  sc_event(core, kinds[rail].trip_event, ma);
}

static void socket_rises(sc_core* core, uint64_t waited) {
  const sc_rail* r = &core->rails[SCP_RAIL_SOCKET];
  const uint16_t mv = rail_mv(core, SCP_RAIL_SOCKET);
  const bool over = mv > r->set_mv + r->set_mv / 10;
  if (mv >= r->set_mv - r->set_mv / 20 && !over) {
    stands(core, SCP_RAIL_SOCKET, mv);
    return;
  }
  if (!over && waited < SOCKET_RISE_NS) return; /* the limit may hold while capacitors fill */
  if (!over && rail_ma(core, SCP_RAIL_SOCKET) >= r->limit_ma) {
    trips(core, SCP_RAIL_SOCKET);
    return;
  }
  cut(core, SCP_RAIL_SOCKET, SCP_RAIL_FAILED, mv);
}

static void port_rises(sc_core* core, uint64_t waited) {
  const sc_rail* r = &core->rails[SCP_RAIL_PORT];
  if (waited < r->ramp_ms * MS + AFTER_RAMP_NS) return;
  const uint16_t mv = rail_mv(core, SCP_RAIL_PORT);
  if (mv < r->set_mv / 2) {
    trips(core, SCP_RAIL_PORT);
    return;
  }
  stands(core, SCP_RAIL_PORT, mv);
}

static void bleeds(sc_core* core, uint8_t rail, uint64_t waited) {
  sc_rail* r = &core->rails[rail];
  const uint16_t mv = rail_mv(core, rail);
  if (mv >= BLEED_MV && waited < BLEED_NS) return;
  r->switching = SC_STEADY;
  const bool bled = mv < BLEED_MV;
  answer_mv(core, kinds[rail].off_type, r->request_id, bled ? SCP_OK : SCP_BLEED_FAILED, bled ? 0 : mv, mv);
  if (bled) sc_event(core, kinds[rail].off_event, mv);
}

/* The limiter latches by itself; that shows as a rail far below its voltage. The port is not left half-powered
 * either. */
static void watch_level(sc_core* core, uint8_t rail, uint64_t now) {
  sc_rail* r = &core->rails[rail];
  const uint16_t mv = rail_mv(core, rail);
  if (mv < (rail == SCP_RAIL_SOCKET ? r->set_mv / 5 * 4 : r->set_mv / 2)) {
    trips(core, rail);
    return;
  }
  if (rail == SCP_RAIL_SOCKET || mv >= PORT_LEAST_MV) {
    r->low_since_ns = 0;
  } else if (r->low_since_ns == 0) {
    r->low_since_ns = now;
  } else if (now - r->low_since_ns >= PORT_LOW_NS) {
    trips(core, rail);
  }
}

static void watch_switch(sc_core* core, uint8_t rail, uint64_t now) {
  const sc_rail* r = &core->rails[rail];
  const uint64_t waited = now - r->started_ns;
  if (r->switching == SC_SWITCHING_OFF)
    bleeds(core, rail, waited);
  else if (r->switching == SC_STEADY && r->set_mv != 0)
    watch_level(core, rail, now);
  else if (r->switching == SC_SWITCHING_ON && rail == SCP_RAIL_SOCKET)
    socket_rises(core, waited);
  else if (r->switching == SC_SWITCHING_ON)
    port_rises(core, waited);
}

static void watch_host(sc_core* core, uint64_t now) {
  if (now - core->last_heard_ns < HEARTBEAT_NS) return;
  for (uint8_t rail = 0; rail < 2; ++rail) {
    if (core->rails[rail].set_mv == 0 || core->rails[rail].keep) continue;
    cut(core, rail, SCP_RAIL_LOST, 0);
    sc_event(core, SCP_EVENT_HEARTBEAT_CUT, rail);
  }
}

static void watch_lid(sc_core* core) {
  if (meter(core, SC_METER_LID_OPEN) == 0) return;
  core->id_at_1v8.length = 0; /* the next chip may be another */
  if (core->rails[SCP_RAIL_SOCKET].set_mv == 0) return;
  cut(core, SCP_RAIL_SOCKET, SCP_LID_OPEN, 0);
  sc_event(core, SCP_EVENT_LID_OPENED, 0);
}

void sc_rails_step(sc_core* core) {
  const uint64_t now = now_ns(core);
  if (now - core->watched_ns < WATCH_NS) return;
  core->watched_ns = now;
  watch_host(core, now);
  watch_lid(core);
  for (uint8_t rail = 0; rail < 2; ++rail) watch_switch(core, rail, now);
}
