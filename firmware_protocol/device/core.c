#include "device/core.h"

#include <string.h>

#include "device/parts.h"

static uint64_t now_ns(const sc_core* core) { return core->hal->now_ns(core->hal->self); }

void sc_core_init(sc_core* core, const sc_hal* hal, const sc_identity* identity, uint8_t* arena, size_t arena_bytes) {
  memset(core, 0, sizeof *core);
  core->hal = hal;
  memcpy(core->uuid, identity->uuid, sizeof core->uuid);
  core->boot_counter = identity->boot_counter;
  core->firmware = identity->firmware;
  core->capabilities = identity->capabilities;
  core->averaged_interval_ns = identity->averaged_interval_ns;
  core->burst_interval_ns = identity->burst_interval_ns;
  core->targets = identity->targets;
  memcpy(core->name, identity->name, sizeof core->name);
  scp_parser_init(&core->parser, arena, SC_RX_BYTES);
  core->tx = arena + SC_RX_BYTES;
  core->tx_size = arena_bytes - SC_RX_BYTES;
  core->bus_bits = 8;
  core->addressing = SCP_LARGE_PAGE;
  core->column_cycles = 2;
  core->row_cycles = 3;
  core->last_heard_ns = now_ns(core);
  /* Whatever the pins did before: rails off, every CE# high. */
  hal->socket_rail(hal->self, 0, 0);
  hal->port_rail(hal->self, 0, 0, 0, false);
  hal->bus_select(hal->self, -1, 0);
}

/* Ends what runs and drops what waits to go out; rails stay as they are. */
static void start_anew(sc_core* core) {
  sc_runs_drop(core);
  sc_supply_end(core);
  sc_transmit_drop(core);
  /* A switch of a rail is finished, though nobody will be told; a contact measurement is not. */
  if (core->pending.kind == SC_PENDING_CONTACT) core->pending.kind = SC_PENDING_NONE;
}

static void hello(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  if (n != 4) {
    sc_answer(core, SCP_HELLO, request_id, SCP_BAD_REQUEST, (uint16_t)n, NULL, 0);
    return;
  }
  if (p[0] > SCP_VERSION || p[1] < SCP_VERSION_OLDEST) {
    sc_answer(core, SCP_HELLO, request_id, SCP_VERSION_MISMATCH, SCP_VERSION_OLDEST << 8 | SCP_VERSION, NULL, 0);
    return;
  }
  start_anew(core);
  core->id_at_1v8_length = 0;
  scp_hello answer;
  memset(&answer, 0, sizeof answer);
  answer.version = p[1] < SCP_VERSION ? p[1] : SCP_VERSION;
  memcpy(answer.uuid, core->uuid, sizeof answer.uuid);
  answer.boot_counter = core->boot_counter;
  answer.firmware = core->firmware;
  answer.capabilities = core->capabilities;
  const size_t room = core->tx_size - SC_ANSWER_RESERVE - SCP_HEADER_BYTES - SCP_TRAILER_BYTES;
  answer.max_payload = room < SCP_MAX_PAYLOAD ? (uint32_t)room : SCP_MAX_PAYLOAD;
  answer.averaged_interval_ns = core->averaged_interval_ns;
  answer.burst_interval_ns = core->burst_interval_ns;
  answer.targets = core->targets;
  memcpy(answer.name, core->name, sizeof answer.name);
  uint8_t bytes[SCP_HELLO_BYTES];
  scp_put_hello(bytes, &answer);
  sc_answer(core, SCP_HELLO, request_id, SCP_OK, 0, bytes, sizeof bytes);
}

static void board_state(sc_core* core, uint32_t request_id) {
  const sc_hal* hal = core->hal;
  scp_board_state state;
  memset(&state, 0, sizeof state);
  const int32_t socket_mv = hal->meter(hal->self, SC_METER_SOCKET_MV), port_mv = hal->meter(hal->self, SC_METER_PORT_MV);
  state.socket_mv = socket_mv < 0 ? 0 : (uint16_t)socket_mv;
  state.port_mv = port_mv < 0 ? 0 : (uint16_t)port_mv;
  state.port_ua = hal->meter(hal->self, SC_METER_PORT_UA);
  state.socket_on = core->socket_set_mv != 0;
  state.port_on = core->port_on;
  state.lid_open = hal->meter(hal->self, SC_METER_LID_OPEN) != 0;
  state.wp_high = hal->meter(hal->self, SC_METER_WP_HIGH) != 0;
  state.rb_ready = hal->bus_ready(hal->self);
  state.running = core->runs_count > 0;
  state.trusted = core->trusted;
  state.consents = core->consents;
  state.frames_bad = core->parser.bad_frames;
  state.samples_dropped = core->samples_dropped;
  state.refused_programs = core->refused_programs;
  uint8_t bytes[SCP_BOARD_STATE_BYTES];
  scp_put_board_state(bytes, &state);
  sc_answer(core, SCP_BOARD_STATE, request_id, SCP_OK, 0, bytes, sizeof bytes);
}

static void abort_all(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id) {
  if (n != 8) {
    sc_answer(core, SCP_ABORT, request_id, SCP_BAD_REQUEST, (uint16_t)n, NULL, 0);
    return;
  }
  start_anew(core);
  sc_answer(core, SCP_ABORT, request_id, SCP_OK, 0, p, 8);
}

static void dispatch(sc_core* core, const scp_header* header, const uint8_t* p) {
  const uint32_t n = header->length, id = header->request_id;
  switch (header->type) {
    case SCP_HELLO:
      hello(core, p, n, id);
      break;
    case SCP_HEARTBEAT:
      sc_answer(core, SCP_HEARTBEAT, id, SCP_OK, 0, NULL, 0);
      break;
    case SCP_ABORT:
      abort_all(core, p, n, id);
      break;
    case SCP_BOARD_STATE:
      board_state(core, id);
      break;
    case SCP_SOCKET_ON:
      sc_socket_on(core, p, n, id);
      break;
    case SCP_SOCKET_OFF:
      sc_socket_off(core, id);
      break;
    case SCP_SOCKET_TRUST:
      sc_socket_trust(core, p, n, id);
      break;
    case SCP_BUS_SETUP:
      sc_bus_setup(core, p, n, id);
      break;
    case SCP_PROGRAM_LOAD:
      sc_program_load(core, p, n, id);
      break;
    case SCP_PROGRAM_RUN:
      sc_program_run(core, p, n, id);
      break;
    case SCP_CONTACT_MEASURE:
      sc_contact_measure(core, p, n, id);
      break;
    case SCP_PORT_ON:
      sc_port_on(core, p, n, id);
      break;
    case SCP_PORT_OFF:
      sc_port_off(core, id);
      break;
    case SCP_SUPPLY_START:
      sc_supply_start(core, p, n, id);
      break;
    case SCP_SUPPLY_STOP:
      sc_supply_stop(core, id);
      break;
    default:
      sc_answer(core, header->type, id, SCP_UNKNOWN_TYPE, 0, NULL, 0);
      break;
  }
}

void sc_core_receive(sc_core* core, const uint8_t* bytes, size_t n) {
  scp_header header;
  const uint8_t* payload = NULL;
  bool found = true;
  while (n > 0 || found) {
    const size_t taken = scp_parser_feed(&core->parser, bytes, n, &found, &header, &payload);
    bytes += taken;
    n -= taken;
    if (!found) continue;
    /* Only requests come this way: what is not one is noise, and says nothing about a living host. */
    if (header.channel != SCP_CHANNEL_COMMAND || header.request_id == 0 || (header.type & SCP_ANSWER) != 0) continue;
    if (header.version != SCP_VERSION && header.type != SCP_HELLO) continue;
    core->last_heard_ns = now_ns(core);
    dispatch(core, &header, payload);
  }
}

bool sc_core_step(sc_core* core) {
  sc_rails_step(core);
  const bool sampled = sc_supply_step(core);
  const bool moved = sc_bus_step(core);
  /* Pages gather in the buffer while they come, so that the link gets long pieces; it is asked when they do not. */
  const bool gathering = moved && core->tx_end - core->tx_sent < core->tx_size / 4;
  const bool sent = !gathering && sc_transmit(core);
  return sampled || moved || sent || core->pending.kind == SC_PENDING_CONTACT;
}
