#include <string.h>

#include "device/parts.h"

/* Waits that hold for every timing mode (ONFI SDR mode 0 values and the conservative tCCS). */
enum { T_WB_NS = 200, T_WHR_NS = 120, T_RR_NS = 40, T_CCS_NS = 500 };
enum { POLL_NS = 500, RECOVERY_US = 5000 };

static void answer(sc_core* core, uint16_t type, uint32_t request_id, uint16_t status, uint16_t detail) {
  sc_answer(core, type, request_id, status, detail, NULL, 0);
}

/* ---- Requests ---- */

void sc_bus_setup(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  (void)n;
  const bool small = p[2] == SCP_SMALL_PAGE;
  const bool can_x16 = (core->identity.capabilities & SCP_CAN_X16) != 0;
  int fault = -1;
  if (p[4] < 1 || p[4] > 4) fault = 4;
  if (p[3] != (small ? 1 : 2)) fault = 3;
  if (p[2] > SCP_SMALL_PAGE) fault = 2;
  if (p[1] != 8 && !(p[1] == 16 && can_x16)) fault = 1;
  if (p[0] > 5) fault = 0;
  if (fault >= 0) {
    answer(core, SCP_BUS_SETUP, request_id, SCP_BAD_REQUEST, (uint16_t)fault);
    return;
  }
  if (core->runs_count > 0) {
    answer(core, SCP_BUS_SETUP, request_id, SCP_BUSY, 0);
    return;
  }
  const sc_bus_shape shape = {p[0], p[1], p[2], p[3], p[4]};
  core->shape = shape;
  sc_programs_forget(core); /* they were checked against other address counts */
  core->hal->bus_timing(core->hal->self, p[0], p[1]);
  answer(core, SCP_BUS_SETUP, request_id, SCP_OK, 0);
}

void sc_programs_forget(sc_core* core) {
  for (unsigned slot = 0; slot < SCP_PROGRAM_SLOTS; ++slot) core->programs[slot].length = 0;
}

static bool in_use(const sc_core* core, uint8_t slot) {
  for (unsigned i = 0; i < core->runs_count; ++i)
    if (core->runs[(core->runs_first + i) % SCP_RUN_QUEUE].slot == slot) return true;
  return false;
}

void sc_program_load(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  enum { OPS_AT = 4 };
  const uint16_t length = scp_get_u16(p + 2);
  if (p[0] >= SCP_PROGRAM_SLOTS) {
    answer(core, SCP_PROGRAM_LOAD, request_id, SCP_BAD_REQUEST, 0);
    return;
  }
  if (length > SCP_MAX_PROGRAM_BYTES || n != (uint32_t)OPS_AT + length) {
    answer(core, SCP_PROGRAM_LOAD, request_id, SCP_BAD_REQUEST, 2);
    return;
  }
  if (in_use(core, p[0])) {
    answer(core, SCP_PROGRAM_LOAD, request_id, SCP_BUSY, 0);
    return;
  }
  const sc_verdict verdict =
      sc_filter(p + OPS_AT, length, &core->shape, sc_max_payload(core) - SC_PAGE_PREFIX_BYTES);
  sc_program* program = &core->programs[p[0]];
  if (verdict.status != SCP_OK) {
    ++core->refused_programs;
    program->length = 0; /* no run may take an older program for this one */
    const uint16_t detail = (uint16_t)(verdict.detail + (verdict.status == SCP_BAD_REQUEST ? OPS_AT : 0));
    answer(core, SCP_PROGRAM_LOAD, request_id, verdict.status, detail);
    return;
  }
  memcpy(program->ops, p + OPS_AT, length);
  program->length = length;
  program->needs_trust = verdict.needs_trust;
  program->reads_pages = verdict.reads_pages;
  program->output_bytes = verdict.output_bytes;
  answer(core, SCP_PROGRAM_LOAD, request_id, SCP_OK, 0);
}

static uint16_t may_run(const sc_core* core, const sc_program* program) {
  const sc_rail* rail = &core->rails[SCP_RAIL_SOCKET];
  if (rail->set_mv == 0 || rail->switching != SC_STEADY) return SCP_REFUSED_RAIL;
  if (program->needs_trust && !core->trusted) return SCP_REFUSED_RAIL;
  if (program->reads_pages && core->hal->meter(core->hal->self, SC_METER_WP_HIGH) != 0) return SCP_WP_HIGH;
  return SCP_OK;
}

/* Byte of the request at fault, or -1. */
static int run_fault(const sc_core* core, const uint8_t* p) {
  const uint64_t first = scp_get_u32(p + 8), rows = scp_get_u32(p + 12), stride = scp_get_u32(p + 16),
                 groups = scp_get_u32(p + 20);
  if (p[1] >= core->identity.targets) return 1;
  if (rows == 0) return 12;
  if (groups == 0 || rows * groups > UINT32_MAX) return 20;
  /* Stride and groups have 32 bits each: their product fits into 64, but only just. */
  const uint64_t last_group = stride * (groups - 1);
  const uint64_t last_row = (uint64_t)(((uint64_t)1 << (8 * core->shape.row_cycles)) - 1);
  return last_group > last_row || first + last_group + rows - 1 > last_row ? 8 : -1;
}

void sc_program_run(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  (void)n;
  if (p[0] >= SCP_PROGRAM_SLOTS || core->programs[p[0]].length == 0) {
    answer(core, SCP_PROGRAM_RUN, request_id, SCP_NO_SUCH_PROGRAM, 0);
    return;
  }
  const int fault = run_fault(core, p);
  if (fault >= 0) {
    answer(core, SCP_PROGRAM_RUN, request_id, SCP_BAD_REQUEST, (uint16_t)fault);
    return;
  }
  if (core->runs_count == SCP_RUN_QUEUE) {
    answer(core, SCP_PROGRAM_RUN, request_id, SCP_BUSY, 0);
    return;
  }
  const uint16_t status = may_run(core, &core->programs[p[0]]);
  if (status != SCP_OK) {
    answer(core, SCP_PROGRAM_RUN, request_id, status, 0);
    return;
  }

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
  answer(core, SCP_PROGRAM_RUN, request_id, SCP_OK, 0);
}

/* ---- One iteration ---- */

typedef struct iteration {
  sc_core* core;
  uint8_t* out; /* the bytes read, straight into the page frame */
  uint32_t filled;
  uint64_t busy_ns;
  uint64_t settle_ns; /* tWHR or tCCS, due before the next data cycle */
  uint8_t flags, opcode, address;
  bool gives_data; /* 00h behind a status poll goes back to them */
} iteration;

/* Waits grow from POLL_NS to 1/16 of what has passed. They are summed, not read from the clock: a simulator's
 * waits cost no real time. */
static uint64_t pause(const sc_hal* hal, uint64_t waited, uint64_t limit_ns) {
  uint64_t step = waited / 16 < POLL_NS ? POLL_NS : waited / 16;
  if (step > limit_ns - waited) step = limit_ns - waited;
  hal->wait_ns(hal->self, step);
  return waited + step;
}

/* Until R/B# rises, giving it tWB to fall first. */
static void wait_ready(iteration* it, uint64_t limit_ns) {
  const sc_hal* hal = it->core->hal;
  uint64_t waited = 0;
  bool busy = !hal->bus_ready(hal->self);
  for (; !busy && waited < T_WB_NS; waited += 20) {
    hal->wait_ns(hal->self, 20);
    busy = !hal->bus_ready(hal->self);
  }
  if (!busy) it->flags |= SCP_PAGE_BUSY_NOT_SEEN;
  while (busy && waited < limit_ns) {
    waited = pause(hal, waited, limit_ns);
    busy = !hal->bus_ready(hal->self);
  }
  if (busy) it->flags |= SCP_PAGE_READY_TIMEOUT;
  hal->wait_ns(hal->self, T_RR_NS);
  it->busy_ns += waited;
}

/* The same by status polling: 70h until bit 6 rises, then 00h when there are data to go back to. */
static void wait_status(iteration* it, uint64_t limit_ns) {
  const sc_hal* hal = it->core->hal;
  uint64_t waited = T_WB_NS;
  uint8_t status[2] = {0, 0};
  hal->wait_ns(hal->self, T_WB_NS);
  hal->bus_command(hal->self, 0x70);
  hal->wait_ns(hal->self, T_WHR_NS);
  hal->bus_read(hal->self, status, it->core->shape.bus_bits / 8u);
  bool busy = (status[0] & 0x40) == 0;
  if (!busy) it->flags |= SCP_PAGE_BUSY_NOT_SEEN;
  while (busy && waited < limit_ns) {
    waited = pause(hal, waited, limit_ns);
    hal->bus_read(hal->self, status, it->core->shape.bus_bits / 8u);
    busy = (status[0] & 0x40) == 0;
  }
  it->busy_ns += waited;
  if (busy) {
    it->flags |= SCP_PAGE_READY_TIMEOUT;
  } else if (it->gives_data) {
    hal->bus_command(hal->self, 0x00);
    it->settle_ns = T_WHR_NS;
  }
}

static void command(iteration* it, uint8_t opcode) {
  it->core->hal->bus_command(it->core->hal->self, opcode);
  it->settle_ns = opcode == 0xE0 ? T_CCS_NS : T_WHR_NS;
  it->opcode = opcode;
  if (opcode != 0x70 && opcode != 0x78) it->gives_data = opcode != 0xFF && opcode != 0x32;
}

static void address(iteration* it, uint8_t byte) {
  it->core->hal->bus_address(it->core->hal->self, byte);
  it->settle_ns = T_WHR_NS;
  it->address = byte;
}

static void read(iteration* it, uint32_t n) {
  const sc_hal* hal = it->core->hal;
  if (it->settle_ns > 0) hal->wait_ns(hal->self, it->settle_ns);
  it->settle_ns = 0;
  hal->bus_read(hal->self, it->out + it->filled, n);
  if (it->opcode == 0x90 && it->address == 0x00) {
    sc_rails_saw_id(it->core, it->out + it->filled, n);
    it->opcode = 0; /* what a further READ gives is no start of an ID */
  }
  it->filled += n;
}

/* A chip that stays busy would meet the next row busy: RESET, which it must accept, ends that. */
static void recover(iteration* it) {
  const uint8_t flags = it->flags;
  command(it, 0xFF);
  const uint64_t busy_ns = it->busy_ns;
  wait_ready(it, RECOVERY_US * 1000u);
  it->flags = flags;
  it->busy_ns = busy_ns;
}

static void iterate(iteration* it, const sc_run* run, const sc_program* program, uint32_t row) {
  const sc_core* core = it->core;
  const sc_hal* hal = core->hal;
  hal->bus_select(hal->self, run->target, run->pass);
  for (uint16_t at = 0; at < program->length;
       at = (uint16_t)(at + sc_op_bytes(program->ops, program->length, at))) {
    const uint8_t* op = program->ops + at;
    switch (op[0]) {
      case SCP_OP_COMMAND:
        command(it, op[1]);
        break;
      case SCP_OP_ADDRESS:
        address(it, op[1]);
        break;
      case SCP_OP_ROW:
        for (uint8_t cycle = 0; cycle < core->shape.row_cycles; ++cycle)
          address(it, (uint8_t)(row >> (8 * cycle)));
        break;
      case SCP_OP_WAIT_RB:
        wait_ready(it, scp_get_u32(op + 1) * 1000ull);
        break;
      case SCP_OP_WAIT_STATUS:
        wait_status(it, scp_get_u32(op + 1) * 1000ull);
        break;
      case SCP_OP_READ:
        read(it, scp_get_u32(op + 1));
        break;
      default: /* SCP_OP_DELAY: the filter has let nothing else through */
        hal->wait_ns(hal->self, scp_get_u32(op + 1));
        break;
    }
    if ((it->flags & SCP_PAGE_READY_TIMEOUT) != 0) {
      recover(it);
      break;
    }
  }
  /* High between rows: some small-page chips read on by themselves while CE# stays low. */
  hal->bus_select(hal->self, -1, run->pass);
}

/* ---- Runs ---- */

static void put_page_prefix(const sc_core* core, uint8_t* p, const sc_run* run, uint32_t row, uint8_t flags,
                            uint64_t busy_ns, uint32_t length) {
  p[0] = run->target;
  p[1] = flags;
  p[2] = core->hal->meter(core->hal->self, SC_METER_WP_HIGH) != 0;
  p[3] = 0;
  scp_put_u32(p + 4, run->pass);
  scp_put_u32(p + 8, row);
  scp_put_u32(p + 12, busy_ns > 0xFFFFFFFFu ? 0xFFFFFFFFu : (uint32_t)busy_ns);
  scp_put_u32(p + 16, length);
}

static bool end_front_run(sc_core* core, uint16_t status) {
  const sc_run* run = &core->runs[core->runs_first];
  uint8_t* p = sc_frame_begin(core, 12, false);
  if (!p) return false;
  scp_put_u16(p, status);
  scp_put_u16(p + 2, 0);
  scp_put_u32(p + 4, run->done);
  scp_put_u32(p + 8, run->rows * run->groups);
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

  uint8_t* p = sc_frame_begin(core, SC_PAGE_PREFIX_BYTES + program->output_bytes, false);
  if (!p) return false; /* the pipe is full: the board pauses between pages */
  iteration it;
  memset(&it, 0, sizeof it);
  it.core = core;
  it.out = p + SC_PAGE_PREFIX_BYTES;
  const uint32_t row = run->first_row + run->group * run->stride + run->row;
  iterate(&it, run, program, row);
  put_page_prefix(core, p, run, row, it.flags, it.busy_ns, it.filled);
  sc_frame_end(core, SCP_CHANNEL_PAGE, SCP_PAGE_DATA, run->request_id, SC_PAGE_PREFIX_BYTES + it.filled);
  ++run->done;
  if (++run->row == run->rows) {
    run->row = 0;
    ++run->group;
  }
  return true;
}

void sc_runs_drop(sc_core* core) {
  core->runs_first = core->runs_count = 0;
}
