#include <string.h>

#include "steadycell/protocol.h"

void scp_put_hello(uint8_t at[SCP_HELLO_BYTES], const scp_hello* hello) {
  memset(at, 0, SCP_HELLO_BYTES);
  at[0] = hello->version;
  at[1] = hello->targets;
  memcpy(at + 4, hello->uuid, 16);
  scp_put_u32(at + 20, hello->boot_counter);
  scp_put_u32(at + 24, hello->firmware);
  scp_put_u32(at + 28, hello->capabilities);
  scp_put_u32(at + 32, hello->max_payload);
  scp_put_u32(at + 36, hello->averaged_interval_ns);
  scp_put_u32(at + 40, hello->burst_interval_ns);
  memcpy(at + 44, hello->name, 28);
}

void scp_get_hello(const uint8_t at[SCP_HELLO_BYTES], scp_hello* hello) {
  memset(hello, 0, sizeof *hello);
  hello->version = at[0];
  hello->targets = at[1];
  memcpy(hello->uuid, at + 4, 16);
  hello->boot_counter = scp_get_u32(at + 20);
  hello->firmware = scp_get_u32(at + 24);
  hello->capabilities = scp_get_u32(at + 28);
  hello->max_payload = scp_get_u32(at + 32);
  hello->averaged_interval_ns = scp_get_u32(at + 36);
  hello->burst_interval_ns = scp_get_u32(at + 40);
  memcpy(hello->name, at + 44, 28);
}

void scp_put_board_state(uint8_t at[SCP_BOARD_STATE_BYTES], const scp_board_state* state) {
  scp_put_u16(at, state->socket_mv);
  scp_put_u16(at + 2, state->port_mv);
  scp_put_u32(at + 4, (uint32_t)state->port_ua);
  at[8] = state->socket_on;
  at[9] = state->port_on;
  at[10] = state->lid_open;
  at[11] = state->wp_high;
  at[12] = state->rb_ready;
  at[13] = state->running;
  at[14] = state->trusted;
  at[15] = 0;
  scp_put_u32(at + 16, state->consents);
  scp_put_u32(at + 20, state->frames_bad);
  scp_put_u32(at + 24, state->samples_dropped);
  scp_put_u32(at + 28, state->refused_programs);
}

void scp_get_board_state(const uint8_t at[SCP_BOARD_STATE_BYTES], scp_board_state* state) {
  memset(state, 0, sizeof *state);
  state->socket_mv = scp_get_u16(at);
  state->port_mv = scp_get_u16(at + 2);
  state->port_ua = (int32_t)scp_get_u32(at + 4);
  state->socket_on = at[8];
  state->port_on = at[9];
  state->lid_open = at[10];
  state->wp_high = at[11];
  state->rb_ready = at[12];
  state->running = at[13];
  state->trusted = at[14];
  state->consents = scp_get_u32(at + 16);
  state->frames_bad = scp_get_u32(at + 20);
  state->samples_dropped = scp_get_u32(at + 24);
  state->refused_programs = scp_get_u32(at + 28);
}
