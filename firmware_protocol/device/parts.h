/* The pieces of the device core, as they see each other. Not for firmware. */
#ifndef STEADYCELL_DEVICE_PARTS_H
#define STEADYCELL_DEVICE_PARTS_H

#include "device/core.h"

/* A meter's reading as the wire carries it. */
static inline uint16_t sc_positive_u16(int32_t v) {
  return v < 0 ? 0 : v > 0xFFFF ? 0xFFFF : (uint16_t)v;
}

/* ---- transmit.c: the queue towards the host ---- */

/* Room for a frame of `payload` bytes; answers may use the reserve, pages and samples may not. NULL when there is
 * none: try again when the pipe has taken something. The payload is written at the returned place, then
 * sc_frame_end, before any other frame is begun; it may turn out shorter. */
uint8_t* sc_frame_begin(sc_core* core, uint32_t payload, bool is_answer);
void sc_frame_end(sc_core* core, uint8_t channel, uint16_t type, uint32_t request_id, uint32_t payload);
/* Answers with status and detail and `extra` more bytes. */
void sc_answer(sc_core* core, uint16_t type, uint32_t request_id, uint16_t status, uint16_t detail,
               const uint8_t* extra, uint32_t extra_bytes);
void sc_event(sc_core* core, uint16_t kind, uint16_t detail);
/* Hands bytes to the link; false when it takes none. */
bool sc_transmit(sc_core* core);
/* Forgets every frame of which nothing has gone out, and starts the sequences anew. */
void sc_transmit_drop(sc_core* core);
/* Forgets everything, a frame half sent too. */
void sc_transmit_cut(sc_core* core);
/* What a frame of this board may carry. */
uint32_t sc_max_payload(const sc_core* core);

/* Request handlers get the payload, its length already within what the table in core.c says. */
typedef void sc_handler(sc_core* core, const uint8_t* p, uint32_t n, uint32_t request_id);

/* ---- bus.c: programs and runs ---- */

sc_handler sc_bus_setup, sc_program_load, sc_program_run;
/* One iteration of the run at the front; true when something was done. */
bool sc_bus_step(sc_core* core);
/* Forgets every run without a word. */
void sc_runs_drop(sc_core* core);
void sc_programs_forget(sc_core* core);

/* ---- rails.c ---- */

sc_handler sc_socket_on, sc_socket_off, sc_socket_trust, sc_port_on, sc_port_off;
/* Both rails off, whatever the pins did before. */
void sc_rails_init(sc_core* core);
/* Remembers what READ ID 00h gave. */
void sc_rails_saw_id(sc_core* core, const uint8_t* out, uint32_t n);
/* Limits, lid, heartbeat and the switches under way. */
void sc_rails_step(sc_core* core);
/* The switches under way go on, but nobody is told. */
void sc_rails_forget_requests(sc_core* core);
/* Both rails off at once, whatever they do. */
void sc_rails_cut(sc_core* core);
/* Off, not being switched, and measured below 0.1 V. */
bool sc_rail_is_bled(const sc_core* core, uint8_t rail);

/* ---- contact.c ---- */

sc_handler sc_contact_measure;
void sc_contact_step(sc_core* core);

/* ---- port_measure.c ---- */

sc_handler sc_port_measure;
bool sc_port_measure_step(sc_core* core);
/* Takes the current off the line and forgets the request. */
void sc_port_measure_end(sc_core* core);
/* Socket contacts or port lines: no rail may come on. */
bool sc_is_measuring(const sc_core* core);

/* ---- hid.c ---- */

/* Makes a METER report when one is due. */
void sc_hid_step(sc_core* core);

/* ---- supply.c ---- */

sc_handler sc_supply_start, sc_supply_stop;
void sc_supply_end(sc_core* core);
bool sc_supply_step(sc_core* core);

#endif
