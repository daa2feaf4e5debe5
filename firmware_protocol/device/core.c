#include "device/core.h"

#include <string.h>

#include "device/parts.h"

enum { LONGEST_ANSWER = 300, GATHER_BYTES = 65536 };
#define CUT_FRAME_NS 100000000ull

static uint64_t now_ns(const sc_core* core) {
  return core->hal->now_ns(core->hal->self);
}

void sc_core_init(sc_core* core, const sc_hal* hal, const sc_identity* identity, uint8_t* arena,
                  size_t arena_bytes) {
  const sc_bus_shape shape = {0, 8, SCP_LARGE_PAGE, 2, 3};
  memset(core, 0, sizeof *core);
  core->hal = hal;
  core->version = SCP_VERSION;
  core->identity = *identity;
  core->shape = shape;
  scp_parser_init(&core->parser, arena, SC_RX_BYTES);
  core->tx = arena + SC_RX_BYTES;
  core->tx_size = arena_bytes - SC_RX_BYTES;
  core->last_heard_ns = core->watched_ns = now_ns(core);
  hal->bus_select(hal->self, -1, 0);
  hal->bus_timing(hal->self, shape.timing_mode, shape.bus_bits);
  sc_rails_init(core);
}

/* ---- Requests about the board itself ---- */

/* Ends what runs and drops what waits to go out; rails go where they were going, but nothing of it is told. */
static void start_anew(sc_core* core) {
  sc_runs_drop(core);
  sc_supply_end(core);
  core->contact.running = false;
  sc_port_measure_end(core);
  sc_rails_forget_requests(core);
  sc_transmit_drop(core);
}

static void hello(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  (void)n; /* later versions may say more */
  if (p[0] > SCP_VERSION || p[1] < SCP_VERSION_OLDEST) {
    sc_answer(core, SCP_HELLO, request_id, SCP_VERSION_MISMATCH, SCP_VERSION_OLDEST << 8 | SCP_VERSION, NULL, 0);
    return;
  }
  start_anew(core);
  core->version = p[1] < SCP_VERSION ? p[1] : SCP_VERSION;
  sc_programs_forget(core);
  core->id_at_1v8.length = 0;
  const sc_identity* me = &core->identity;
  scp_hello answer;
  memset(&answer, 0, sizeof answer);
  answer.version = core->version;
  memcpy(answer.uuid, me->uuid, sizeof answer.uuid);
  answer.boot_counter = me->boot_counter;
  answer.firmware = me->firmware;
  answer.capabilities = me->capabilities;
  answer.max_payload = sc_max_payload(core);
  answer.averaged_interval_ns = me->averaged_interval_ns;
  answer.burst_interval_ns = me->burst_interval_ns;
  answer.targets = me->targets;
  memcpy(answer.name, me->name, sizeof answer.name);
  uint8_t bytes[SCP_HELLO_BYTES];
  scp_put_hello(bytes, &answer);
  sc_answer(core, SCP_HELLO, request_id, SCP_OK, 0, bytes, sizeof bytes);
}

static void heartbeat(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  (void)p;
  (void)n;
  sc_answer(core, SCP_HEARTBEAT, request_id, SCP_OK, 0, NULL, 0);
}

static void abort_all(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  start_anew(core);
  sc_answer(core, SCP_ABORT, request_id, SCP_OK, 0, p, n);
}

static void board_state(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  (void)p;
  (void)n;
  const sc_hal* hal = core->hal;
  scp_board_state state;
  memset(&state, 0, sizeof state);
  state.socket_mv = sc_positive_u16(hal->meter(hal->self, SC_METER_SOCKET_MV));
  state.port_mv = sc_positive_u16(hal->meter(hal->self, SC_METER_PORT_MV));
  state.port_ua = hal->meter(hal->self, SC_METER_PORT_UA);
  state.socket_on = core->rails[SCP_RAIL_SOCKET].set_mv != 0;
  state.port_on = core->rails[SCP_RAIL_PORT].set_mv != 0;
  state.lid_open = hal->meter(hal->self, SC_METER_LID_OPEN) != 0;
  state.wp_high = hal->meter(hal->self, SC_METER_WP_HIGH) != 0;
  state.rb_ready = hal->bus_ready(hal->self);
  state.running = core->runs_count > 0;
  state.trusted = core->trusted;
  state.consents = core->consents;
  state.frames_bad = core->parser.bad_frames + core->requests_lost;
  state.samples_dropped = core->supply.dropped;
  state.refused_programs = core->refused_programs;
  uint8_t bytes[SCP_BOARD_STATE_BYTES];
  scp_put_board_state(bytes, &state);
  sc_answer(core, SCP_BOARD_STATE, request_id, SCP_OK, 0, bytes, sizeof bytes);
}

/* ---- Dispatch ---- */

typedef struct request_kind {
  uint16_t type, shortest, longest;
  uint8_t needs; /* SCP_CAN_* of the board, 0 none */
  bool always;   /* makes things safer: carried out even when its answer finds no room */
  sc_handler* handler;
} request_kind;

static const request_kind kinds[] = {
    {SCP_HELLO, 4, SCP_MAX_REQUEST, 0, true, hello},
    {SCP_HEARTBEAT, 0, 0, 0, true, heartbeat},
    {SCP_ABORT, 8, 8, 0, true, abort_all},
    {SCP_BOARD_STATE, 0, 0, 0, false, board_state},
    {SCP_SOCKET_ON, 7, SCP_MAX_REQUEST, SCP_CAN_SOCKET, false, sc_socket_on},
    {SCP_SOCKET_OFF, 0, 0, SCP_CAN_SOCKET, true, sc_socket_off},
    {SCP_SOCKET_TRUST, 1, SCP_MAX_REQUEST, SCP_CAN_SOCKET, false, sc_socket_trust},
    {SCP_BUS_SETUP, 8, 8, SCP_CAN_SOCKET, false, sc_bus_setup},
    {SCP_PROGRAM_LOAD, 5, 4 + SCP_MAX_PROGRAM_BYTES, SCP_CAN_SOCKET, false, sc_program_load},
    {SCP_PROGRAM_RUN, 24, 24, SCP_CAN_SOCKET, false, sc_program_run},
    {SCP_CONTACT_MEASURE, 2, 2, SCP_CAN_CONTACT, false, sc_contact_measure},
    {SCP_PORT_ON, 8, 8, SCP_CAN_PORT, false, sc_port_on},
    {SCP_PORT_OFF, 0, 0, SCP_CAN_PORT, true, sc_port_off},
    {SCP_PORT_MEASURE, 10, 10, SCP_CAN_PORT_MEASURE, false, sc_port_measure},
    {SCP_SUPPLY_START, 12, 12, 0, false, sc_supply_start},
    {SCP_SUPPLY_STOP, 0, 0, 0, true, sc_supply_stop},
};

static void dispatch(sc_core* core, const scp_header* header, const uint8_t* p) {
  const uint32_t n = header->length, id = header->request_id;
  for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; ++i) {
    const request_kind* kind = &kinds[i];
    if (kind->type != header->type) continue;
    if (kind->needs != 0 && (core->identity.capabilities & kind->needs) == 0) break;
    if (n < kind->shortest) {
      sc_answer(core, kind->type, id, SCP_BAD_REQUEST, (uint16_t)n, NULL, 0);
      return;
    }
    if (n > kind->longest) {
      sc_answer(core, kind->type, id, SCP_BAD_REQUEST, kind->longest, NULL, 0);
      return;
    }
    if (!kind->always && !sc_frame_begin(core, LONGEST_ANSWER, true)) {
      ++core->requests_lost; /* a host that asks without listening; it will time out and abort */
      return;
    }
    kind->handler(core, p, n, id);
    return;
  }
  sc_answer(core, header->type, id, SCP_UNKNOWN_TYPE, 0, NULL, 0);
}

static void take_frame(sc_core* core, const scp_header* header, const uint8_t* p) {
  core->last_heard_ns = now_ns(core);
  if (header->channel != SCP_CHANNEL_COMMAND || header->request_id == 0 || (header->type & SCP_ANSWER) != 0) {
    ++core->requests_lost;
    return;
  }
  if (header->type == SCP_HELLO) {
    core->next_sequence = header->sequence + 1;
    dispatch(core, header, p);
    return;
  }
  /* A repeated or overtaken request must not act twice or late. ABORT may: it clears up whatever happened. */
  const bool stale = (int32_t)(header->sequence - core->next_sequence) < 0;
  if (stale && header->type != SCP_ABORT) {
    ++core->requests_lost;
    return;
  }
  if (!stale) core->next_sequence = header->sequence + 1;
  if (header->version != core->version) {
    sc_answer(core, header->type, header->request_id, SCP_VERSION_MISMATCH, SCP_VERSION_OLDEST << 8 | SCP_VERSION,
              NULL, 0);
    return;
  }
  dispatch(core, header, p);
}

static void parse(sc_core* core, const uint8_t* bytes, size_t n) {
  scp_header header;
  const uint8_t* payload = NULL;
  bool found = false;
  do {
    const size_t taken = scp_parser_feed(&core->parser, bytes, n, &found, &header, &payload);
    if (taken > 0) bytes += taken;
    n -= taken;
    if (found) take_frame(core, &header, payload);
  } while (found);
}

void sc_core_receive(sc_core* core, const uint8_t* bytes, size_t n) {
  if (n > 0) core->last_byte_ns = now_ns(core);
  parse(core, bytes, n);
}

bool sc_core_step(sc_core* core) {
  /* The rest of a cut frame will not come any more; a request behind it may lie in the buffer. */
  while (core->parser.fill > core->parser.done && now_ns(core) - core->last_byte_ns >= CUT_FRAME_NS &&
         scp_parser_give_up(&core->parser))
    parse(core, NULL, 0);
  sc_rails_step(core);
  sc_hid_step(core);
  const bool measuring = core->contact.running;
  if (measuring) sc_contact_step(core);
  const bool probed = sc_port_measure_step(core);
  const bool sampled = sc_supply_step(core);
  const bool moved = sc_bus_step(core);
  /* Pages gather in the buffer while they come, so that the link gets long pieces; it is asked when they do not.
   */
  const size_t enough = core->tx_size / 4 < GATHER_BYTES ? core->tx_size / 4 : GATHER_BYTES;
  const bool gathering = moved && core->tx_end - core->tx_sent < enough;
  const bool sent = !gathering && sc_transmit(core);
  return measuring || probed || sampled || moved || sent;
}

void sc_core_pipe_reset(sc_core* core) {
  sc_transmit_cut(core);
  core->parser.fill = core->parser.done = 0;
}
