#include "device/parts.h"

/* What hangs on the port before it is powered: a small current into one line, two readings. The line's bleed is off
 * meanwhile; the other lines stay at 0 V. */
enum { LINES = 3, MOST_UA = 1000, MOST_MV = 1500, LEAST_EARLY_US = 100, MOST_EARLY_US = 50000, MOST_SETTLE_MS = 2000, BLED_MV = 100 };
#define MICROSECOND 1000ull
#define MILLISECOND 1000000ull
#define BLEED_NS 2000000000ull

void sc_port_measure(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  (void)n;
  const int16_t microamps = (int16_t)scp_get_u16(p + 2);
  const uint16_t most_mv = scp_get_u16(p + 4), early_us = scp_get_u16(p + 6), settle_ms = scp_get_u16(p + 8);
  uint16_t status = SCP_OK, detail = 0;
  if (p[0] >= LINES) {
    status = SCP_BAD_REQUEST;
  } else if (microamps == 0 || microamps > MOST_UA || microamps < -MOST_UA) {
    status = SCP_BAD_REQUEST;
    detail = 2;
  } else if (most_mv == 0 || most_mv > MOST_MV) {
    status = SCP_BAD_REQUEST;
    detail = 4;
  } else if (early_us < LEAST_EARLY_US || early_us > MOST_EARLY_US) {
    status = SCP_BAD_REQUEST;
    detail = 6;
  } else if (settle_ms > MOST_SETTLE_MS || settle_ms * MICROSECOND * 1000 <= early_us * MICROSECOND) {
    status = SCP_BAD_REQUEST;
    detail = 8;
  } else if (sc_is_measuring(core)) {
    status = SCP_BUSY;
  } else if (!sc_rail_is_bled(core, SCP_RAIL_SOCKET) || !sc_rail_is_bled(core, SCP_RAIL_PORT)) {
    status = SCP_REFUSED_RAIL; /* the test current means nothing on a live rail */
  }
  if (status != SCP_OK) {
    sc_answer(core, SCP_PORT_MEASURE, request_id, status, detail, NULL, 0);
    return;
  }
  sc_port_probe* m = &core->port_probe;
  m->stage = SC_PROBE_EARLY;
  m->request_id = request_id;
  m->early_ns = early_us * MICROSECOND;
  m->settle_ns = settle_ms * MILLISECOND;
  m->started_ns = core->hal->now_ns(core->hal->self);
  core->hal->port_force(core->hal->self, p[0], microamps, most_mv);
}

static void read_line(const sc_core* core, uint8_t* at) {
  int32_t microvolts = 0, nanoamps = 0;
  core->hal->port_sense(core->hal->self, &microvolts, &nanoamps);
  scp_put_u32(at, (uint32_t)microvolts);
  scp_put_u32(at + 4, (uint32_t)nanoamps);
}

/* What the measured line and the supply still carry, either sign: a line that was pulled below 0 V must come back as well, and
 * the port's meter shows no negative voltage. */
static uint16_t left_mv(const sc_core* core) {
  int32_t microvolts = 0, nanoamps = 0;
  core->hal->port_sense(core->hal->self, &microvolts, &nanoamps);
  const uint16_t line = sc_positive_u16((microvolts < 0 ? -microvolts : microvolts) / 1000);
  const uint16_t supply = sc_positive_u16(core->hal->meter(core->hal->self, SC_METER_PORT_MV));
  return line > supply ? line : supply;
}

void sc_port_measure_end(sc_core* core) {
  if (core->port_probe.stage != SC_PROBE_NONE) core->hal->port_force(core->hal->self, 0, 0, 0);
  core->port_probe.stage = SC_PROBE_NONE;
}

bool sc_port_measure_step(sc_core* core) {
  sc_port_probe* m = &core->port_probe;
  const uint64_t now = core->hal->now_ns(core->hal->self), waited = now - m->started_ns;
  if (m->stage == SC_PROBE_EARLY && waited >= m->early_ns) {
    read_line(core, m->result + 4);
    /* The voltage of a charging capacitor moves while it is read: its time is the middle of the reading. */
    const uint64_t read_ns = now + (core->hal->now_ns(core->hal->self) - now) / 2;
    scp_put_u32(m->result, (uint32_t)((read_ns - m->started_ns) / MICROSECOND));
    m->stage = SC_PROBE_SETTLING;
    return true;
  }
  if (m->stage == SC_PROBE_SETTLING && waited >= m->settle_ns) {
    read_line(core, m->result + 12);
    core->hal->port_force(core->hal->self, 0, 0, 0);
    m->stage = SC_PROBE_BLEEDING;
    m->started_ns = now;
    return true;
  }
  if (m->stage == SC_PROBE_BLEEDING) { /* what a capacitor kept would spoil the next measurement */
    const uint16_t left = left_mv(core);
    const bool bled = left < BLED_MV;
    if (!bled && waited < BLEED_NS) return false;
    m->stage = SC_PROBE_NONE;
    sc_answer(core, SCP_PORT_MEASURE, m->request_id, bled ? SCP_OK : SCP_BLEED_FAILED, bled ? 0 : left, m->result,
              bled ? sizeof m->result : 0);
    return true;
  }
  return false;
}

bool sc_is_measuring(const sc_core* core) {
  return core->contact.running || core->port_probe.stage != SC_PROBE_NONE;
}
