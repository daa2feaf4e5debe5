#include <string.h>

#include "device/parts.h"

/* Waits that hold for every timing mode (ONFI SDR mode 0 values and the conservative tCCS). */
enum { T_WB_NS = 200, T_WHR_NS = 120, T_RR_NS = 40, T_CCS_NS = 500 };

void sc_bus_setup(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  uint16_t fault = 0;
  if (n != 8)
    fault = (uint16_t)n;
  else if (p[0] > 5)
    fault = 1;
  else if (p[1] != 8 && p[1] != 16)
    fault = 2;
  else if (p[2] > SCP_SMALL_PAGE)
    fault = 3;
  else if (p[3] < 1 || p[3] > 2)
    fault = 4;
  else if (p[4] < 1 || p[4] > 4)
    fault = 5;
  if (n != 8 || fault != 0) {
    sc_answer(core, SCP_BUS_SETUP, request_id, SCP_BAD_REQUEST, (uint16_t)(n != 8 ? fault : fault - 1), NULL, 0);
    return;
  }
  if (core->runs_count > 0) {
    sc_answer(core, SCP_BUS_SETUP, request_id, SCP_BUSY, 0, NULL, 0);
    return;
  }
  core->timing_mode = p[0];
  core->bus_bits = p[1];
  core->addressing = p[2];
  core->column_cycles = p[3];
  core->row_cycles = p[4];
  /* A program was checked against the old address counts. */
  for (unsigned slot = 0; slot < SCP_PROGRAM_SLOTS; ++slot) core->programs[slot].length = 0;
  core->hal->bus_timing(core->hal->self, p[0], p[1]);
  sc_answer(core, SCP_BUS_SETUP, request_id, SCP_OK, 0, NULL, 0);
}

void sc_program_load(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  const uint16_t length = n >= 4 ? scp_get_u16(p + 2) : 0;
  if (n < 4 || p[0] >= SCP_PROGRAM_SLOTS || length > SCP_MAX_PROGRAM_BYTES || n != 4u + length) {
    sc_answer(core, SCP_PROGRAM_LOAD, request_id, SCP_BAD_REQUEST, n < 4 ? (uint16_t)n : p[0] >= SCP_PROGRAM_SLOTS ? 0 : 2, NULL, 0);
    return;
  }
  if (core->runs_count > 0) { /* a queued run must find the program it was accepted with */
    sc_answer(core, SCP_PROGRAM_LOAD, request_id, SCP_BUSY, 0, NULL, 0);
    return;
  }
  const uint32_t fits = (uint32_t)(core->tx_size - SC_ANSWER_RESERVE - SCP_HEADER_BYTES - SCP_TRAILER_BYTES - SC_PAGE_PREFIX_BYTES);
  const uint32_t most = SCP_MAX_PAYLOAD - SC_PAGE_PREFIX_BYTES;
  const sc_verdict verdict = sc_filter(p + 4, length, core->addressing, core->column_cycles, core->row_cycles, fits < most ? fits : most);
  if (verdict.status != SCP_OK) {
    ++core->refused_programs;
    sc_answer(core, SCP_PROGRAM_LOAD, request_id, verdict.status, verdict.detail, NULL, 0);
    return;
  }
  sc_program* program = &core->programs[p[0]];
  memcpy(program->ops, p + 4, length);
  program->length = length;
  program->needs_trust = verdict.needs_trust;
  program->output_bytes = verdict.output_bytes;
  sc_answer(core, SCP_PROGRAM_LOAD, request_id, SCP_OK, 0, NULL, 0);
}

static uint16_t may_run(const sc_core* core, const sc_program* program) {
  if (core->socket_set_mv == 0 || sc_pending(core)) return SCP_REFUSED_RAIL;
  if (!program->needs_trust) return SCP_OK;
  if (!core->trusted) return SCP_REFUSED_RAIL;
  return core->hal->meter(core->hal->self, SC_METER_WP_HIGH) != 0 ? SCP_WP_HIGH : SCP_OK;
}

void sc_program_run(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  uint16_t status = SCP_OK, detail = 0;
  if (n != 24) {
    status = SCP_BAD_REQUEST;
    detail = (uint16_t)n;
  } else if (p[0] >= SCP_PROGRAM_SLOTS || core->programs[p[0]].length == 0) {
    status = SCP_NO_SUCH_PROGRAM;
  } else if (p[1] >= core->targets) {
    status = SCP_BAD_REQUEST;
    detail = 1;
  } else if (scp_get_u32(p + 12) == 0 || scp_get_u32(p + 20) == 0) {
    status = SCP_BAD_REQUEST;
    detail = scp_get_u32(p + 12) == 0 ? 12 : 20;
  } else if (core->runs_count == SCP_RUN_QUEUE) {
    status = SCP_BUSY;
  } else {
    status = may_run(core, &core->programs[p[0]]);
  }
  if (status == SCP_OK) {
    sc_run* run = &core->runs[(core->runs_first + core->runs_count) % SCP_RUN_QUEUE];
    memset(run, 0, sizeof *run);
    run->request_id = request_id;
    run->slot = p[0];
    run->target = p[1];
    run->pass = scp_get_u32(p + 4);
    run->first_row = scp_get_u32(p + 8);
    run->rows = scp_get_u32(p + 12);
    run->stride = scp_get_u32(p + 16);
    run->groups = scp_get_u32(p + 20);
    ++core->runs_count;
  }
  sc_answer(core, SCP_PROGRAM_RUN, request_id, status, detail, NULL, 0);
}

/* Waits until R/B# rises, first giving it tWB to fall; returns nanoseconds waited. The board's own waits are counted, not
 * read from the clock: a simulator's waits cost no real time. */
static uint64_t wait_ready(sc_core* core, uint32_t limit_us, uint8_t* flags) {
  const sc_hal* hal = core->hal;
  uint64_t waited = 0;
  bool busy = !hal->bus_ready(hal->self);
  while (!busy && waited < T_WB_NS) {
    hal->wait_ns(hal->self, 20);
    waited += 20;
    busy = !hal->bus_ready(hal->self);
  }
  if (!busy) {
    *flags |= SCP_PAGE_BUSY_NOT_SEEN;
    return waited;
  }
  while (!hal->bus_ready(hal->self)) {
    if (waited >= (uint64_t)limit_us * 1000u) {
      *flags |= SCP_PAGE_READY_TIMEOUT;
      return waited;
    }
    const uint64_t step = waited / 8 < 200 ? 200 : waited / 8; /* fine at first, coarse for long waits */
    hal->wait_ns(hal->self, step);
    waited += step;
  }
  hal->wait_ns(hal->self, T_RR_NS);
  return waited;
}

/* The same by status polling: 70h, bit 6, then 00h back to reading. */
static uint64_t wait_status(sc_core* core, uint32_t limit_us, uint8_t* flags) {
  const sc_hal* hal = core->hal;
  uint64_t waited = T_WB_NS;
  uint8_t status[2] = {0, 0};
  bool busy_seen = false;
  hal->wait_ns(hal->self, T_WB_NS);
  hal->bus_command(hal->self, 0x70);
  hal->wait_ns(hal->self, T_WHR_NS);
  for (;;) {
    hal->bus_read(hal->self, status, core->bus_bits / 8u);
    if (status[0] & 0x40) break;
    busy_seen = true;
    if (waited >= (uint64_t)limit_us * 1000u) {
      *flags |= SCP_PAGE_READY_TIMEOUT;
      break;
    }
    const uint64_t step = waited / 8 < 200 ? 200 : waited / 8;
    hal->wait_ns(hal->self, step);
    waited += step;
  }
  if (!busy_seen) *flags |= SCP_PAGE_BUSY_NOT_SEEN;
  hal->bus_command(hal->self, 0x00);
  hal->wait_ns(hal->self, T_WHR_NS);
  return waited;
}

static void put_page_prefix(const sc_core* core, uint8_t* p, const sc_run* run, uint32_t row, uint8_t flags, uint64_t busy_ns,
                            uint32_t length) {
  p[0] = run->target;
  p[1] = flags;
  p[2] = core->hal->meter(core->hal->self, SC_METER_WP_HIGH) != 0;
  p[3] = 0;
  scp_put_u32(p + 4, run->pass);
  scp_put_u32(p + 8, row);
  scp_put_u32(p + 12, busy_ns > 0xFFFFFFFFu ? 0xFFFFFFFFu : (uint32_t)busy_ns);
  scp_put_u32(p + 16, length);
}

/* Runs the program once for `row`, its bytes going straight to `out`. */
static void iterate(sc_core* core, const sc_run* run, const sc_program* program, uint32_t row, uint8_t* out, uint8_t* flags,
                    uint64_t* busy_ns) {
  const sc_hal* hal = core->hal;
  uint64_t settle_ns = 0; /* tWHR or tCCS, due before the next data cycle */
  uint8_t last_command = 0, last_address = 0xFF;
  hal->bus_select(hal->self, run->target, run->pass);
  for (uint16_t at = 0; at < program->length;) {
    const uint8_t* op = program->ops + at;
    switch (op[0]) {
      case SCP_OP_COMMAND:
        hal->bus_command(hal->self, op[1]);
        settle_ns = op[1] == 0xE0 ? T_CCS_NS : T_WHR_NS;
        last_command = op[1];
        at = (uint16_t)(at + 2);
        break;
      case SCP_OP_ADDRESS:
        hal->bus_address(hal->self, op[1]);
        settle_ns = T_WHR_NS;
        last_address = op[1];
        at = (uint16_t)(at + 2);
        break;
      case SCP_OP_ROW:
        for (uint8_t cycle = 0; cycle < core->row_cycles; ++cycle) hal->bus_address(hal->self, (uint8_t)(row >> (8 * cycle)));
        settle_ns = T_WHR_NS;
        at = (uint16_t)(at + 1);
        break;
      case SCP_OP_WAIT_RB:
        *busy_ns += wait_ready(core, scp_get_u32(op + 1), flags);
        settle_ns = 0;
        at = (uint16_t)(at + 5);
        break;
      case SCP_OP_WAIT_STATUS:
        *busy_ns += wait_status(core, scp_get_u32(op + 1), flags);
        settle_ns = 0;
        at = (uint16_t)(at + 5);
        break;
      case SCP_OP_READ: {
        const uint32_t n = scp_get_u32(op + 1);
        if (settle_ns > 0) hal->wait_ns(hal->self, settle_ns);
        settle_ns = 0;
        hal->bus_read(hal->self, out, n);
        if (last_command == 0x90 && last_address == 0x00) sc_rails_saw_id(core, out, n);
        out += n;
        at = (uint16_t)(at + 5);
        break;
      }
      default: /* SCP_OP_DELAY: the filter has let nothing else through */
        hal->wait_ns(hal->self, scp_get_u32(op + 1));
        at = (uint16_t)(at + 5);
        break;
    }
  }
  hal->bus_select(hal->self, -1, run->pass);
}

static bool end_front_run(sc_core* core, uint16_t status) {
  const sc_run* run = &core->runs[core->runs_first];
  uint8_t* p = sc_frame_begin(core, 12, false);
  if (!p) return false;
  scp_put_u16(p, status);
  scp_put_u16(p + 2, 0);
  scp_put_u32(p + 4, run->done);
  const uint64_t asked = (uint64_t)run->rows * run->groups;
  scp_put_u32(p + 8, asked > 0xFFFFFFFFu ? 0xFFFFFFFFu : (uint32_t)asked);
  sc_frame_end(core, SCP_CHANNEL_PAGE, SCP_RUN_END, run->request_id, 12);
  core->runs_first = (uint8_t)((core->runs_first + 1) % SCP_RUN_QUEUE);
  --core->runs_count;
  return true;
}

bool sc_bus_step(sc_core* core) {
  if (core->runs_count == 0) return false;
  sc_run* run = &core->runs[core->runs_first];
  const sc_program* program = &core->programs[run->slot];
  if (run->group == run->groups) return end_front_run(core, SCP_OK);
  const uint16_t status = may_run(core, program);
  if (status != SCP_OK) return end_front_run(core, status == SCP_REFUSED_RAIL ? SCP_RAIL_LOST : status);

  const uint32_t payload = SC_PAGE_PREFIX_BYTES + program->output_bytes;
  uint8_t* p = sc_frame_begin(core, payload, false);
  if (!p) return false; /* the pipe is full: the board pauses between pages */
  const uint32_t row = run->first_row + run->group * run->stride + run->row;
  uint8_t flags = 0;
  uint64_t busy_ns = 0;
  iterate(core, run, program, row, p + SC_PAGE_PREFIX_BYTES, &flags, &busy_ns);
  put_page_prefix(core, p, run, row, flags, busy_ns, program->output_bytes);
  sc_frame_end(core, SCP_CHANNEL_PAGE, SCP_PAGE_DATA, run->request_id, payload);
  ++run->done;
  if (++run->row == run->rows) {
    run->row = 0;
    ++run->group;
  }
  return true;
}

void sc_runs_drop(sc_core* core) { core->runs_first = core->runs_count = 0; }
