#include "device/parts.h"

enum { PREFIX_BYTES = 20, SAMPLE_BYTES = 14, SAMPLES_A_FRAME = 128, FRAME_PAUSE_NS = 5 * 1000 * 1000, KINDS = 2 };

void sc_supply_start(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  uint16_t status = SCP_OK, detail = 0;
  if (n != 12 || p[0] > SCP_RAIL_PORT) {
    status = SCP_BAD_REQUEST;
    detail = n != 12 ? (uint16_t)n : 0;
  } else if (core->averaged_interval_ns == 0) {
    status = SCP_UNKNOWN_TYPE; /* this board measures no supply */
  } else if (scp_get_u32(p + 4) < core->averaged_interval_ns || (scp_get_u16(p + 2) > 0 && scp_get_u32(p + 8) < core->burst_interval_ns)) {
    status = SCP_BAD_REQUEST;
    detail = scp_get_u32(p + 4) < core->averaged_interval_ns ? 4 : 8;
  } else if (core->sampling) {
    status = SCP_BUSY;
  }
  if (status == SCP_OK) {
    core->sampling = true;
    core->sample_rail = p[0];
    core->averaged_ns = scp_get_u32(p + 4);
    core->burst_ns = scp_get_u32(p + 8);
    core->samples_dropped = core->drop_to_report[0] = core->drop_to_report[1] = 0;
    core->last_samples_ns = core->hal->now_ns(core->hal->self);
    core->hal->supply_start(core->hal->self, p[0], core->averaged_ns, core->burst_ns, scp_get_u16(p + 2));
  }
  sc_answer(core, SCP_SUPPLY_START, request_id, status, detail, NULL, 0);
}

void sc_supply_end(sc_core* core) {
  if (core->sampling) core->hal->supply_stop(core->hal->self);
  core->sampling = false;
}

/* One frame of one kind, if samples are due; true when some were. */
static bool stream(sc_core* core, uint8_t kind) {
  sc_sample samples[SAMPLES_A_FRAME];
  uint64_t first_ns = 0;
  uint32_t lost = 0;
  const size_t count = core->hal->supply_read(core->hal->self, kind, samples, SAMPLES_A_FRAME, &first_ns, &lost);
  if (lost > 0) {
    core->samples_dropped += lost;
    core->drop_to_report[kind] += lost;
  }
  if (count == 0) return false;
  const uint32_t payload = PREFIX_BYTES + (uint32_t)count * SAMPLE_BYTES;
  uint8_t* p = sc_frame_begin(core, payload, false);
  if (!p) { /* samples never hold anything up; the gap is told with the next frame */
    core->samples_dropped += (uint32_t)count;
    core->drop_to_report[kind] += (uint32_t)count;
    return true;
  }
  p[0] = core->sample_rail;
  p[1] = kind;
  scp_put_u16(p + 2, (uint16_t)count);
  scp_put_u64(p + 4, first_ns);
  scp_put_u32(p + 12, kind == 0 ? core->averaged_ns : core->burst_ns);
  scp_put_u32(p + 16, core->drop_to_report[kind]);
  core->drop_to_report[kind] = 0;
  for (size_t i = 0; i < count; ++i) {
    uint8_t* at = p + PREFIX_BYTES + i * SAMPLE_BYTES;
    scp_put_u32(at, (uint32_t)samples[i].microamps);
    scp_put_u16(at + 4, (uint16_t)samples[i].millivolts);
    scp_put_u16(at + 6, (uint16_t)samples[i].probe1_mv);
    scp_put_u16(at + 8, (uint16_t)samples[i].probe2_mv);
    scp_put_u16(at + 10, samples[i].flags);
    scp_put_u16(at + 12, 0);
  }
  sc_frame_end(core, SCP_CHANNEL_SUPPLY, SCP_SAMPLES, 0, payload);
  return true;
}

bool sc_supply_step(sc_core* core) {
  const uint64_t now = core->hal->now_ns(core->hal->self);
  if (!core->sampling || now - core->last_samples_ns < FRAME_PAUSE_NS) return false;
  bool more = false;
  for (uint8_t kind = 0; kind < KINDS; ++kind) more = stream(core, kind) || more;
  if (!more) core->last_samples_ns = now; /* all that was due is out: let the next frame fill */
  return more;
}

void sc_supply_stop(sc_core* core, uint32_t request_id) {
  for (uint8_t kind = 0; kind < KINDS; ++kind)
    while (core->sampling && stream(core, kind)) {
    }
  sc_supply_end(core);
  uint8_t extra[4];
  scp_put_u32(extra, core->samples_dropped);
  sc_answer(core, SCP_SUPPLY_STOP, request_id, SCP_OK, 0, extra, 4);
}
