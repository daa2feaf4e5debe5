#include <string.h>

#include "device/parts.h"

enum {
  HEARTBEAT_NS = 500 * 1000 * 1000,
  RISE_NS = 20 * 1000 * 1000,        /* a socket rail must stand by then */
  BLEED_MV = 100,
  SETTLE_AFTER_RAMP_NS = 1000 * 1000 /* the limiter's word is final 1 ms behind the ramp */
};
#define BLEED_NS (2000ull * 1000 * 1000)

static int32_t meter(const sc_core* core, int which) { return core->hal->meter(core->hal->self, which); }

static uint16_t positive_u16(int32_t v) { return v < 0 ? 0 : v > 65535 ? 65535 : (uint16_t)v; }

static uint16_t meter_u16(const sc_core* core, int which) { return positive_u16(meter(core, which)); }

bool sc_pending(const sc_core* core) { return core->pending.kind != SC_PENDING_NONE; }

static void answer_mv(sc_core* core, uint16_t type, uint32_t request_id, uint16_t status, uint16_t detail, uint16_t mv) {
  uint8_t extra[2];
  scp_put_u16(extra, mv);
  sc_answer(core, type, request_id, status, detail, extra, 2);
}

static void pend(sc_core* core, enum sc_pending_kind kind, uint32_t request_id) {
  core->pending.kind = kind;
  core->pending.request_id = request_id;
  core->pending.started_ns = core->hal->now_ns(core->hal->self);
}

static void socket_cut(sc_core* core) {
  core->hal->socket_rail(core->hal->self, 0, 0);
  core->socket_set_mv = 0;
  core->trusted = false;
  core->id_now_length = 0;
}

/* ---- Socket ---- */

/* An ID of only FF or only 00 is a silent bus, not an answer. */
static bool is_an_answer(const uint8_t* id, uint8_t n) {
  bool all_ff = true, all_00 = true;
  for (uint8_t i = 0; i < n; ++i) {
    all_ff = all_ff && id[i] == 0xFF;
    all_00 = all_00 && id[i] == 0x00;
  }
  return n >= 2 && !all_ff && !all_00;
}

static bool same_id(const uint8_t* id, uint8_t n, const uint8_t* seen, uint8_t seen_length) {
  return is_an_answer(id, n) && n <= seen_length && memcmp(id, seen, n) == 0;
}

void sc_rails_saw_id(sc_core* core, const uint8_t* id, uint32_t n) {
  if (n < 2 || core->id_now_length > 0) return; /* the first answer of this power-up counts */
  core->id_now_length = n < SC_ID_BYTES ? (uint8_t)n : SC_ID_BYTES;
  memcpy(core->id_now, id, core->id_now_length);
  if (core->socket_set_mv == 1800) {
    core->id_at_1v8_length = core->id_now_length;
    memcpy(core->id_at_1v8, id, core->id_now_length);
  }
}

void sc_socket_on(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  uint16_t status = SCP_OK, detail = 0;
  const uint16_t mv = n >= 2 ? scp_get_u16(p) : 0;
  if (n < 7 || n != 7u + p[6]) {
    status = SCP_BAD_REQUEST;
    detail = n < 7 ? (uint16_t)n : 6;
  } else if ((mv != 1800 && mv != 3300) || scp_get_u16(p + 2) == 0) {
    status = SCP_BAD_REQUEST;
    detail = mv != 1800 && mv != 3300 ? 0 : 2;
  } else if (sc_pending(core) || core->runs_count > 0) {
    status = SCP_BUSY;
  } else if (meter(core, SC_METER_LID_OPEN) != 0) {
    status = SCP_LID_OPEN;
  } else if (core->socket_set_mv != 0 || meter(core, SC_METER_SOCKET_MV) >= BLEED_MV) {
    status = SCP_REFUSED_RAIL; /* off and bled first */
    detail = meter_u16(core, SC_METER_SOCKET_MV);
  } else if (mv == 3300) {
    if (p[4] == SCP_GROUND_USER_WORD)
      ++core->consents;
    else if (p[4] != SCP_GROUND_CHIP_ANSWER || !same_id(p + 7, p[6], core->id_at_1v8, core->id_at_1v8_length))
      status = SCP_REFUSED_RAIL;
  }
  if (status != SCP_OK) {
    answer_mv(core, SCP_SOCKET_ON, request_id, status, detail, meter_u16(core, SC_METER_SOCKET_MV));
    return;
  }
  core->socket_set_mv = mv;
  core->socket_limit_ma = scp_get_u16(p + 2);
  core->trusted = mv == 3300;
  core->id_now_length = 0;
  core->hal->socket_rail(core->hal->self, mv, core->socket_limit_ma);
  pend(core, SC_PENDING_SOCKET_ON, request_id);
}

void sc_socket_off(sc_core* core, uint32_t request_id) {
  /* Switching off is never refused, whatever else is under way. */
  if (sc_pending(core) && core->pending.kind == SC_PENDING_SOCKET_ON)
    answer_mv(core, SCP_SOCKET_ON, core->pending.request_id, SCP_ABORTED, 0, 0);
  else if (sc_pending(core)) {
    answer_mv(core, SCP_SOCKET_OFF, request_id, SCP_BUSY, 0, meter_u16(core, SC_METER_SOCKET_MV));
    return;
  }
  socket_cut(core);
  pend(core, SC_PENDING_SOCKET_OFF, request_id);
}

void sc_socket_trust(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  uint16_t status = SCP_OK;
  if (n < 1 || n != 1u + p[0])
    status = SCP_BAD_REQUEST;
  else if (core->socket_set_mv == 0 || !same_id(p + 1, p[0], core->id_now, core->id_now_length))
    status = SCP_REFUSED_RAIL;
  else
    core->trusted = true;
  sc_answer(core, SCP_SOCKET_TRUST, request_id, status, 0, NULL, 0);
}

static void socket_on_step(sc_core* core, uint64_t waited) {
  const sc_pending_request request = core->pending;
  const uint16_t mv = meter_u16(core, SC_METER_SOCKET_MV), ma = meter_u16(core, SC_METER_SOCKET_MA);
  if (mv >= core->socket_set_mv - core->socket_set_mv / 20) {
    core->pending.kind = SC_PENDING_NONE;
    answer_mv(core, SCP_SOCKET_ON, request.request_id, SCP_OK, 0, mv);
    sc_event(core, SCP_EVENT_SOCKET_ON, mv);
    return;
  }
  const bool limited = ma >= core->socket_limit_ma;
  if (!limited && waited < RISE_NS) return;
  core->pending.kind = SC_PENDING_NONE;
  socket_cut(core);
  answer_mv(core, SCP_SOCKET_ON, request.request_id, limited ? SCP_CURRENT_LIMIT : SCP_RAIL_FAILED, limited ? ma : mv, mv);
  if (limited) sc_event(core, SCP_EVENT_SOCKET_TRIP, ma);
}

static void socket_off_step(sc_core* core, uint64_t waited) {
  const uint16_t mv = meter_u16(core, SC_METER_SOCKET_MV);
  if (mv >= BLEED_MV && waited < BLEED_NS) return;
  const bool bled = mv < BLEED_MV;
  const uint32_t request_id = core->pending.request_id;
  core->pending.kind = SC_PENDING_NONE;
  answer_mv(core, SCP_SOCKET_OFF, request_id, bled ? SCP_OK : SCP_BLEED_FAILED, bled ? 0 : mv, mv);
  if (bled) sc_event(core, SCP_EVENT_SOCKET_OFF, mv);
}

/* ---- Port ---- */

static void port_cut(sc_core* core) {
  core->hal->port_rail(core->hal->self, 0, 0, 0, false);
  core->port_on = core->port_keep = false;
}

void sc_port_on(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  uint16_t status = SCP_OK, detail = 0;
  if (n != 8) {
    status = SCP_BAD_REQUEST;
    detail = (uint16_t)n;
  } else if (scp_get_u16(p) != 5000 || scp_get_u16(p + 2) == 0 || scp_get_u16(p + 2) > 900 || scp_get_u16(p + 4) > 1000) {
    status = SCP_BAD_REQUEST;
    detail = scp_get_u16(p) != 5000 ? 0 : scp_get_u16(p + 4) > 1000 ? 4 : 2;
  } else if (sc_pending(core)) {
    status = SCP_BUSY;
  } else if (core->port_on) {
    status = SCP_REFUSED_RAIL;
  }
  if (status != SCP_OK) {
    answer_mv(core, SCP_PORT_ON, request_id, status, detail, meter_u16(core, SC_METER_PORT_MV));
    return;
  }
  core->port_on = true;
  core->port_set_mv = scp_get_u16(p);
  core->port_limit_ma = scp_get_u16(p + 2);
  core->port_keep = (p[6] & 2) != 0;
  core->hal->port_rail(core->hal->self, core->port_set_mv, core->port_limit_ma, scp_get_u16(p + 4), (p[6] & 1) != 0);
  pend(core, SC_PENDING_PORT_ON, request_id);
  core->pending.ramp_ms = scp_get_u16(p + 4);
  sc_event(core, SCP_EVENT_PORT_ON, core->port_set_mv);
}

void sc_port_off(sc_core* core, uint32_t request_id) {
  if (sc_pending(core) && core->pending.kind == SC_PENDING_PORT_ON) {
    answer_mv(core, SCP_PORT_ON, core->pending.request_id, SCP_ABORTED, 0, 0);
    core->pending.kind = SC_PENDING_NONE;
  }
  port_cut(core);
  sc_answer(core, SCP_PORT_OFF, request_id, SCP_OK, 0, NULL, 0);
  sc_event(core, SCP_EVENT_PORT_OFF, 0);
}

/* The port's limiter latches by itself; a port far below its voltage behind the ramp has tripped. */
static bool port_tripped(const sc_core* core) { return meter(core, SC_METER_PORT_MV) < core->port_set_mv / 2; }

static void port_trip(sc_core* core) {
  /* The limit is what is known of the current: when the voltage is looked at, the limiter has already opened. */
  port_cut(core);
  sc_event(core, SCP_EVENT_PORT_TRIP, core->port_limit_ma);
}

static void port_on_step(sc_core* core, uint64_t waited) {
  if (waited < (uint64_t)core->pending.ramp_ms * 1000000u + SETTLE_AFTER_RAMP_NS) return;
  const uint32_t request_id = core->pending.request_id;
  const uint16_t mv = meter_u16(core, SC_METER_PORT_MV);
  core->pending.kind = SC_PENDING_NONE;
  if (port_tripped(core)) {
    port_trip(core);
    answer_mv(core, SCP_PORT_ON, request_id, SCP_CURRENT_LIMIT, core->port_limit_ma, mv);
  } else {
    answer_mv(core, SCP_PORT_ON, request_id, SCP_OK, 0, mv);
  }
}

/* ---- Looking after both ---- */

static void watch_socket(sc_core* core, uint64_t now) {
  if (core->socket_set_mv == 0) return;
  if (now - core->last_heard_ns > HEARTBEAT_NS) {
    socket_cut(core);
    sc_event(core, SCP_EVENT_HEARTBEAT_CUT, SCP_RAIL_SOCKET);
  } else if (meter(core, SC_METER_LID_OPEN) != 0) {
    socket_cut(core);
    sc_event(core, SCP_EVENT_LID_OPENED, 0);
  } else if (core->pending.kind != SC_PENDING_SOCKET_ON && meter(core, SC_METER_SOCKET_MV) < core->socket_set_mv / 5 * 4) {
    const uint16_t ma = meter_u16(core, SC_METER_SOCKET_MA);
    socket_cut(core);
    sc_event(core, SCP_EVENT_SOCKET_TRIP, ma);
  }
  if (core->socket_set_mv == 0 && core->pending.kind == SC_PENDING_SOCKET_ON) {
    const uint32_t request_id = core->pending.request_id;
    core->pending.kind = SC_PENDING_NONE;
    answer_mv(core, SCP_SOCKET_ON, request_id, SCP_RAIL_LOST, 0, 0);
  }
}

static void watch_port(sc_core* core, uint64_t now) {
  if (!core->port_on) return;
  if (!core->port_keep && now - core->last_heard_ns > HEARTBEAT_NS) {
    if (core->pending.kind == SC_PENDING_PORT_ON) core->pending.kind = SC_PENDING_NONE;
    port_cut(core);
    sc_event(core, SCP_EVENT_HEARTBEAT_CUT, SCP_RAIL_PORT);
  } else if (core->pending.kind != SC_PENDING_PORT_ON && port_tripped(core)) {
    port_trip(core);
  }
}

void sc_rails_step(sc_core* core) {
  const uint64_t now = core->hal->now_ns(core->hal->self);
  watch_socket(core, now);
  watch_port(core, now);
  const uint64_t waited = now - core->pending.started_ns;
  switch (core->pending.kind) {
    case SC_PENDING_SOCKET_ON:
      socket_on_step(core, waited);
      break;
    case SC_PENDING_SOCKET_OFF:
      socket_off_step(core, waited);
      break;
    case SC_PENDING_PORT_ON:
      port_on_step(core, waited);
      break;
    case SC_PENDING_CONTACT:
      sc_contact_step(core);
      break;
    case SC_PENDING_NONE:
      break;
  }
}
