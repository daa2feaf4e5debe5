#include <string.h>

#include "device/parts.h"

enum { PREFIX_BYTES = 20, SAMPLE_BYTES = 14, SAMPLES_A_FRAME = 128 };
enum kind { AVERAGED, BURST };
#define FETCH_PAUSE_NS 5000000ull
#define ANNOUNCE_PAUSE_NS 1000000000ull

void sc_supply_start(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  (void)n;
  const sc_identity* me = &core->identity;
  const uint16_t burst_ms = scp_get_u16(p + 2);
  const uint32_t averaged_ns = scp_get_u32(p + 4), burst_ns = scp_get_u32(p + 8);
  uint16_t status = SCP_OK, detail = 0;
  if (me->averaged_interval_ns == 0) {
    status = SCP_UNKNOWN_TYPE; /* this board measures no supply */
  } else if (p[0] > SCP_RAIL_PORT) {
    status = SCP_BAD_REQUEST;
  } else if (burst_ms > 0 && me->burst_interval_ns == 0) {
    status = SCP_BAD_REQUEST;
    detail = 2;
  } else if (averaged_ns < me->averaged_interval_ns) {
    status = SCP_BAD_REQUEST;
    detail = 4;
  } else if (burst_ms > 0 && burst_ns < me->burst_interval_ns) {
    status = SCP_BAD_REQUEST;
    detail = 8;
  } else if (core->supply.running) {
    status = SCP_BUSY;
  }
  if (status == SCP_OK) {
    sc_supply* s = &core->supply;
    memset(s, 0, sizeof *s);
    s->running = true;
    s->rail = p[0];
    s->request_id = request_id;
    s->averaged_ns = averaged_ns;
    s->burst_ns = burst_ns;
    s->fetched_ns = core->hal->now_ns(core->hal->self);
    core->hal->supply_start(core->hal->self, p[0], averaged_ns, burst_ns, burst_ms);
  }
  sc_answer(core, SCP_SUPPLY_START, request_id, status, detail, NULL, 0);
}

void sc_supply_end(sc_core* core) {
  if (core->supply.running) core->hal->supply_stop(core->hal->self);
  core->supply.running = false;
}

static void drop(sc_supply* s, uint8_t kind, uint32_t count) {
  s->dropped += count;
  s->untold[kind] += count;
  s->unannounced += count;
}

static void put_sample(uint8_t* at, const sc_sample* sample) {
  scp_put_u32(at, (uint32_t)sample->microamps);
  scp_put_u16(at + 4, (uint16_t)sample->millivolts);
  scp_put_u16(at + 6, (uint16_t)sample->probe1_mv);
  scp_put_u16(at + 8, (uint16_t)sample->probe2_mv);
  scp_put_u16(at + 10, sample->flags);
  scp_put_u16(at + 12, 0);
}

/* One frame of one kind, if samples are due; true when some were. */
static bool stream(sc_core* core, uint8_t kind) {
  sc_supply* s = &core->supply;
  sc_sample samples[SAMPLES_A_FRAME];
  uint64_t first_ns = 0;
  uint32_t lost = 0;
  const size_t count = core->hal->supply_read(core->hal->self, kind, samples, SAMPLES_A_FRAME, &first_ns, &lost);
  drop(s, kind, lost);
  if (count == 0) return false;
  const uint32_t payload = PREFIX_BYTES + (uint32_t)count * SAMPLE_BYTES;
  uint8_t* p = sc_frame_begin(core, payload, false);
  if (!p) { /* samples never hold anything up; the gap is told with the next frame */
    drop(s, kind, (uint32_t)count);
    return true;
  }
  p[0] = s->rail;
  p[1] = kind;
  scp_put_u16(p + 2, (uint16_t)count);
  scp_put_u64(p + 4, first_ns);
  scp_put_u32(p + 12, kind == AVERAGED ? s->averaged_ns : s->burst_ns);
  scp_put_u32(p + 16, s->untold[kind]);
  s->untold[kind] = 0;
  for (size_t i = 0; i < count; ++i) put_sample(p + PREFIX_BYTES + i * SAMPLE_BYTES, &samples[i]);
  sc_frame_end(core, SCP_CHANNEL_SUPPLY, SCP_SAMPLES, s->request_id, payload);
  return true;
}

static void announce_drops(sc_core* core, uint64_t now) {
  sc_supply* s = &core->supply;
  if (s->unannounced == 0 || (s->announced_ns != 0 && now - s->announced_ns < ANNOUNCE_PAUSE_NS)) return;
  sc_event(core, SCP_EVENT_SAMPLES_DROPPED, s->unannounced > UINT16_MAX ? UINT16_MAX : (uint16_t)s->unannounced);
  s->unannounced = 0;
  s->announced_ns = now;
}

bool sc_supply_step(sc_core* core) {
  sc_supply* s = &core->supply;
  if (!s->running) return false;
  const uint64_t now = core->hal->now_ns(core->hal->self);
  if (now - s->fetched_ns < FETCH_PAUSE_NS) return false;
  const bool averaged = stream(core, AVERAGED);
  const bool more = stream(core, BURST) || averaged;
  announce_drops(core, now);
  if (!more) s->fetched_ns = now; /* all that was due is out: let the next frame fill */
  return more;
}

void sc_supply_stop(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  (void)p;
  (void)n;
  while (core->supply.running && (stream(core, AVERAGED) || stream(core, BURST))) {
  }
  sc_supply_end(core);
  uint8_t extra[4];
  scp_put_u32(extra, core->supply.dropped);
  sc_answer(core, SCP_SUPPLY_STOP, request_id, SCP_OK, 0, extra, sizeof extra);
}
