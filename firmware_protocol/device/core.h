/* The portable device core: everything a board does between its USB endpoints and its pins. No allocation, no
 * global. */
#ifndef STEADYCELL_DEVICE_CORE_H
#define STEADYCELL_DEVICE_CORE_H

#include "device/hal.h"
#include "steadycell/protocol.h"
#include "steadycell/usb.h"

#ifdef __cplusplus
extern "C" {
#endif

typedef struct sc_identity {
  uint8_t uuid[16];
  uint32_t boot_counter, firmware, capabilities;
  uint32_t averaged_interval_ns, burst_interval_ns;
  uint8_t targets;
  char name[32];
} sc_identity;

typedef struct sc_core sc_core; /* struct sc_core stands in core_state.h: size known, content private */

enum {
  SC_RX_BYTES = SCP_HEADER_BYTES + SCP_MAX_REQUEST + SCP_TRAILER_BYTES,
  SC_ANSWER_RESERVE = 1024, /* of the transmit buffer: pages and samples leave it to answers */
  SC_PAGE_PREFIX_BYTES = 20
};
/* The arena holds the receive and transmit buffers. This is the least for pages of `raw_page_bytes` (data and
 * spare), and never less than for 2112; twice that lets the bus and the pipe overlap. */
#define SC_CORE_ARENA_FOR(raw_page_bytes)                                                         \
  (SC_RX_BYTES + SC_ANSWER_RESERVE + SCP_HEADER_BYTES + SC_PAGE_PREFIX_BYTES + (raw_page_bytes) + \
   SCP_TRAILER_BYTES)

/* Switches both rails off. `hal` must outlive the core; `identity` is copied. */
void sc_core_init(sc_core* core, const sc_hal* hal, const sc_identity* identity, uint8_t* arena,
                  size_t arena_bytes);
/* Bytes from the host, any chunking. Takes all of them. */
void sc_core_receive(sc_core* core, const uint8_t* bytes, size_t n);
/* Does a bounded piece of work (about one page). Returns true while there is more to do right now, false when it
 * waits for the host, the pipe, or time; the caller then waits for the link or at most 1 ms. */
bool sc_core_step(sc_core* core);

/* For a board with USB. A report that the host sent to the HID interface, its ID first: HEARTBEAT or RAILS_OFF, see
 * steadycell/usb.h. False for any other, which is then ignored. */
bool sc_core_hid_report(sc_core* core, const uint8_t* report, size_t n);
/* The newest METER report, when the host has not fetched it yet: what interrupt IN sends. */
bool sc_core_hid_take(sc_core* core, uint8_t report[SCU_REPORT_BYTES]);
/* A METER report of this moment, for GET_REPORT. */
void sc_core_hid_now(sc_core* core, uint8_t report[SCU_REPORT_BYTES]);
/* The pipe was torn off (bus reset, SET_CONFIGURATION): what waits in it is forgotten, cut frames in both directions
 * too. */
void sc_core_pipe_reset(sc_core* core);

#ifdef __cplusplus
}
#endif

#include "device/core_state.h" /* IWYU pragma: export */

#endif
