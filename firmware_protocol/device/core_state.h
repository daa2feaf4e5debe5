/* What the device core remembers. Here only so that callers can place it statically: its members belong to
 * device/. */
#ifndef STEADYCELL_DEVICE_CORE_STATE_H
#define STEADYCELL_DEVICE_CORE_STATE_H

#include "device/core.h"
#include "device/filter.h"
#include "steadycell/usb.h"

#ifdef __cplusplus
extern "C" {
#endif

typedef struct sc_program {
  uint8_t ops[SCP_MAX_PROGRAM_BYTES];
  uint16_t length; /* 0: empty slot */
  bool needs_trust, reads_pages;
  uint32_t output_bytes; /* of one iteration */
} sc_program;

typedef struct sc_run {
  uint32_t request_id, pass, first_row, rows, stride, groups;
  uint32_t group, row; /* the next iteration */
  uint32_t done;
  uint8_t slot, target;
} sc_run;

enum sc_switching { SC_STEADY, SC_SWITCHING_ON, SC_SWITCHING_OFF };

typedef struct sc_rail {
  uint16_t set_mv; /* 0: off */
  uint16_t limit_ma, ramp_ms;
  bool keep; /* a silent host does not cut it */
  enum sc_switching switching;
  uint32_t request_id;   /* of the request that waits for the switch; 0: nobody does */
  uint64_t started_ns;   /* of the switch */
  uint64_t low_since_ns; /* too low since then; 0: it is not */
} sc_rail;

typedef struct sc_contact {
  bool running;
  uint32_t request_id;
  uint8_t first, count, next;
  uint8_t pattern, suspect; /* of the search for bridges: patterns done, next position to look at alone */
  uint8_t received[SCP_CONTACT_RAIL];  /* by position: its code as far as it was read back */
  uint8_t tied_to[SCP_CONTACT_RAIL];   /* by position: the next of its net, 0: alone */
  uint8_t results[SCP_CONTACT_RAIL * 5];
} sc_contact;

enum sc_probe_stage { SC_PROBE_NONE, SC_PROBE_EARLY, SC_PROBE_SETTLING, SC_PROBE_BLEEDING };
typedef struct sc_port_probe {
  enum sc_probe_stage stage;
  uint32_t request_id;
  uint64_t started_ns, early_ns, settle_ns;
  uint8_t result[SCP_PORT_READING_BYTES];
} sc_port_probe;

typedef struct sc_supply {
  bool running;
  uint8_t rail;
  uint32_t request_id; /* of SUPPLY_START */
  uint32_t averaged_ns, burst_ns;
  uint32_t dropped;     /* of this stream */
  uint32_t untold[2];   /* dropped since the last frame of each kind */
  uint32_t unannounced; /* dropped since the last event */
  uint64_t fetched_ns, announced_ns;
} sc_supply;

typedef struct sc_hid {
  uint8_t newest[SCU_REPORT_BYTES]; /* METER */
  bool fresh;                       /* the host has not fetched it */
  uint32_t number, heartbeat_token, rails_off_token;
  uint64_t made_ns;
} sc_hid;

enum { SC_ID_BYTES = 8 };
typedef struct sc_seen_id {
  uint8_t bytes[SC_ID_BYTES];
  uint8_t length; /* 0: none */
} sc_seen_id;

struct sc_core {
  const sc_hal* hal;
  sc_identity identity;

  scp_parser parser;
  uint64_t last_byte_ns;  /* from the host */
  uint64_t last_heard_ns; /* its last good frame */
  uint64_t watched_ns;    /* when rails and lid were last looked at */
  uint8_t version;        /* agreed with the host; the newest until then */
  uint32_t next_sequence; /* the least that the host's next frame may have */
  uint32_t requests_lost; /* repeated, out of order, on a wrong channel, or without room for an answer */

  /* Frames towards the host, one behind the other: [tx_frame, tx_end) waits, and what lies before tx_sent is gone.
   */
  uint8_t* tx;
  size_t tx_size, tx_frame, tx_sent, tx_end;
  uint32_t sequence[SCP_CHANNELS];

  sc_bus_shape shape;
  sc_program programs[SCP_PROGRAM_SLOTS];
  sc_run runs[SCP_RUN_QUEUE];
  uint8_t runs_first, runs_count;
  uint32_t refused_programs;

  sc_rail rails[2]; /* by enum scp_rail */
  bool trusted;     /* pages may be read */
  uint32_t consents;
  sc_seen_id id_now;    /* at this power-up */
  sc_seen_id id_at_1v8; /* since HELLO, the lid shut since */

  sc_contact contact;
  sc_port_probe port_probe;
  sc_supply supply;
  sc_hid hid;
};

#ifdef __cplusplus
}
#endif
#endif
