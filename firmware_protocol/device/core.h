/* The portable device core: everything a board does between its USB endpoints and its pins. No allocation, no global. */
#ifndef STEADYCELL_DEVICE_CORE_H
#define STEADYCELL_DEVICE_CORE_H

#include "device/hal.h"
#include "steadycell/protocol.h"

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

typedef struct sc_core sc_core;

/* The arena holds the receive and transmit buffers. This is the least for pages of `raw_page_bytes` (data and spare);
 * more lets pages stream better. */
#define SC_CORE_ARENA_FOR(raw_page_bytes) (SC_RX_BYTES + SC_ANSWER_RESERVE + SCP_HEADER_BYTES + 20 + (raw_page_bytes) + SCP_TRAILER_BYTES)
enum { SC_PAGE_PREFIX_BYTES = 20 };

void sc_core_init(sc_core* core, const sc_hal* hal, const sc_identity* identity, uint8_t* arena, size_t arena_bytes);
/* Bytes from the host, any chunking. Takes all of them. */
void sc_core_receive(sc_core* core, const uint8_t* bytes, size_t n);
/* Does a bounded piece of work (about one page). Returns true while there is more to do right now, false when it waits
 * for the host, the pipe, or time; the caller then waits for the link or at most 1 ms. */
bool sc_core_step(sc_core* core);

#ifdef __cplusplus
}
#endif

#include "device/core_state.h"

#endif
