/* The pieces of the device core, as they see each other. Not for firmware. */
#ifndef STEADYCELL_DEVICE_PARTS_H
#define STEADYCELL_DEVICE_PARTS_H

#include "device/core.h"

/* ---- transmit.c: the queue towards the host ---- */

/* Room for a frame of `payload` bytes; answers may use the reserve, pages and samples may not. NULL when there is none:
 * try again when the pipe has taken something. The payload is written at the returned place, then sc_frame_end. */
uint8_t* sc_frame_begin(sc_core* core, uint32_t payload, bool is_answer);
void sc_frame_end(sc_core* core, uint8_t channel, uint16_t type, uint32_t request_id, uint32_t payload);
/* Answers with status and detail and `extra` more bytes. */
void sc_answer(sc_core* core, uint16_t type, uint32_t request_id, uint16_t status, uint16_t detail, const uint8_t* extra,
               uint32_t extra_bytes);
void sc_event(sc_core* core, uint16_t kind, uint16_t detail);
/* Hands bytes to the link; false when it takes none. */
bool sc_transmit(sc_core* core);
/* Forgets every frame of which nothing has gone out, and starts the sequences anew. */
void sc_transmit_drop(sc_core* core);

/* ---- filter.c: the grammar of allowed sequences ---- */

typedef struct sc_verdict {
  uint16_t status; /* SCP_OK, SCP_BAD_REQUEST (detail: byte), SCP_REFUSED_SEQUENCE (detail: operation) */
  uint16_t detail;
  bool needs_trust;
  uint32_t output_bytes;
} sc_verdict;

sc_verdict sc_filter(const uint8_t* ops, uint16_t length, uint8_t addressing, uint8_t column_cycles, uint8_t row_cycles,
                     uint32_t max_output);

/* ---- bus.c: programs and runs ---- */

void sc_bus_setup(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id);
void sc_program_load(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id);
void sc_program_run(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id);
/* One iteration of the run at the front; true when something was done. */
bool sc_bus_step(sc_core* core);
/* Forgets every run without a word. */
void sc_runs_drop(sc_core* core);

/* ---- rails.c ---- */

void sc_socket_on(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id);
void sc_socket_off(sc_core* core, uint32_t request_id);
void sc_socket_trust(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id);
void sc_port_on(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id);
void sc_port_off(sc_core* core, uint32_t request_id);
/* Remembers what READ ID 00h gave. */
void sc_rails_saw_id(sc_core* core, const uint8_t* id, uint32_t n);
/* Limits, lid, heartbeat and the steps of a pending switch. */
void sc_rails_step(sc_core* core);
/* True while the board looks after a switch or a contact measurement: then no other starts. */
bool sc_pending(const sc_core* core);

/* ---- contact.c ---- */

void sc_contact_measure(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id);
void sc_contact_step(sc_core* core);

/* ---- supply.c ---- */

void sc_supply_start(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id);
void sc_supply_stop(sc_core* core, uint32_t request_id);
void sc_supply_end(sc_core* core);
bool sc_supply_step(sc_core* core);

#endif
