/* What the device core remembers. Here only so that callers can place it statically: its members belong to device/. */
#ifndef STEADYCELL_DEVICE_CORE_STATE_H
#define STEADYCELL_DEVICE_CORE_STATE_H

#include "device/core.h"

#ifdef __cplusplus
extern "C" {
#endif

enum {
  SC_RX_BYTES = 1024,       /* of the arena: requests are short */
  SC_ANSWER_RESERVE = 1024, /* of the transmit buffer: pages and samples leave it to answers */
  SC_ID_BYTES = 8
};

typedef struct sc_program {
  uint8_t ops[SCP_MAX_PROGRAM_BYTES];
  uint16_t length; /* 0: empty slot */
  bool needs_trust; /* more than RESET, ID, parameter page and status */
  uint32_t output_bytes; /* of one iteration */
} sc_program;

typedef struct sc_run {
  uint32_t request_id, pass, first_row, rows, stride, groups;
  uint32_t group, row; /* the next iteration */
  uint32_t done;
  uint8_t slot, target;
} sc_run;

enum sc_pending_kind { SC_PENDING_NONE, SC_PENDING_SOCKET_ON, SC_PENDING_SOCKET_OFF, SC_PENDING_PORT_ON, SC_PENDING_CONTACT };

/* The one request whose answer takes time. */
typedef struct sc_pending_request {
  enum sc_pending_kind kind;
  uint32_t request_id;
  uint64_t started_ns;
  uint16_t ramp_ms;
  uint8_t first, count, next; /* contact positions */
} sc_pending_request;

struct sc_core {
  const sc_hal* hal;
  uint8_t uuid[16];
  uint32_t boot_counter, firmware, capabilities, averaged_interval_ns, burst_interval_ns;
  uint8_t targets;
  char name[32];

  scp_parser parser;
  uint64_t last_heard_ns;

  /* Frames towards the host, one behind the other: [tx_frame, tx_end) waits; of the frame at tx_frame all before tx_sent is gone. */
  uint8_t* tx;
  size_t tx_size, tx_frame, tx_sent, tx_end;
  uint32_t sequence[SCP_CHANNELS];
  uint32_t answers_dropped;

  uint8_t timing_mode, bus_bits, addressing, column_cycles, row_cycles;
  sc_program programs[SCP_PROGRAM_SLOTS];
  sc_run runs[SCP_RUN_QUEUE];
  uint8_t runs_first, runs_count;
  uint32_t refused_programs;

  sc_pending_request pending;
  uint16_t socket_set_mv, socket_limit_ma, port_set_mv, port_limit_ma;
  bool port_on, port_keep, trusted;
  uint32_t consents;
  uint8_t id_now[SC_ID_BYTES], id_at_1v8[SC_ID_BYTES];
  uint8_t id_now_length, id_at_1v8_length;
  uint8_t contact[SCP_CONTACT_RAIL * 5];

  bool sampling;
  uint8_t sample_rail;
  uint32_t averaged_ns, burst_ns, samples_dropped, drop_to_report[2];
  uint64_t last_samples_ns;
};

#ifdef __cplusplus
}
#endif
#endif
