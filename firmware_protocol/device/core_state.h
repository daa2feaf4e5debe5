/* What the device core remembers. Here only so that callers can place it statically: its members belong to device/. */
#ifndef STEADYCELL_DEVICE_CORE_STATE_H
#define STEADYCELL_DEVICE_CORE_STATE_H

#include "device/core.h"

#ifdef __cplusplus
extern "C" {
#endif

/* Whole frames on their way to the host, one queue a channel. The frames lie in [begin, end); when the tail of the buffer is
 * too short for the next one they go on in [0, wrap_end), so that a frame is always in one piece. */
typedef struct sc_queue {
  uint8_t* buffer;
  size_t capacity;
  size_t begin, end, wrap_end;
  bool wrapped;
  bool reserved;      /* a frame is being written at reserved_at */
  size_t reserved_at;
  size_t frame_left;  /* bytes of the frame at `begin` still to be sent, when some of it were; 0 at a frame border */
  uint32_t sequence;  /* of the next frame */
  uint8_t channel;
} sc_queue;

typedef struct sc_program {
  bool loaded;
  bool needs_trust;   /* more than RESET, ID, parameter page and status */
  bool reads_pages;
  uint16_t length;
  uint32_t read_bytes; /* of one iteration */
  uint8_t bytes[SCP_MAX_PROGRAM_BYTES];
} sc_program;

typedef struct sc_bus_setup {
  uint8_t timing_mode, bus_bits, addressing, column_cycles, row_cycles;
} sc_bus_setup;

typedef struct sc_run {
  uint32_t request_id, pass, first_row, group_rows, group_stride, groups;
  uint32_t done;      /* iterations */
  uint8_t slot, target;
  bool over;          /* only its RUN_END is missing */
  uint16_t status;
} sc_run;

enum sc_bus_phase { SC_BUS_IDLE, SC_BUS_RUNNING, SC_BUS_RECOVERING };
enum sc_wait_kind { SC_WAIT_NONE, SC_WAIT_RB, SC_WAIT_STATUS, SC_WAIT_DELAY };

typedef struct sc_bus {
  sc_bus_setup setup;
  sc_program programs[SCP_PROGRAM_SLOTS];
  sc_run runs[SCP_RUN_QUEUE];
  uint8_t first_run, run_count;

  /* The iteration under way. */
  uint8_t phase;
  uint8_t* payload;   /* of its page frame */
  uint32_t filled;    /* data bytes so far */
  uint32_t group, row_in_group;
  uint16_t at;        /* byte of the program */
  uint8_t last_opcode, last_address, address_count;
  uint8_t flags, wp_level;
  bool gives_data;    /* 00h after a status poll goes back to it */
  uint64_t busy_ns;

  /* The wait under way. */
  uint8_t wait_kind;
  bool busy_seen;
  uint64_t waited_ns, wait_limit_ns, wait_began_ns;
} sc_bus;

enum { SC_ID_BYTES = 8 };
typedef struct sc_seen_id {
  uint8_t bytes[SC_ID_BYTES];
  uint8_t length;     /* 0: none */
} sc_seen_id;

enum sc_rail_state { SC_RAIL_OFF, SC_RAIL_BLEEDING, SC_RAIL_RAMPING, SC_RAIL_ON };

typedef struct sc_rail {
  uint8_t state;
  bool on_after_bleed;
  bool announce_off;       /* it was on: an event says when it is bled */
  uint16_t mv, limit_ma, ramp_ms;
  bool data_lines, keep;   /* port only */
  uint16_t request_type;   /* of the request that waits for this rail; request_id 0: none */
  uint32_t request_id;
  uint64_t deadline_ns;
  uint64_t low_since_ns;   /* 0: not low */
} sc_rail;

typedef struct sc_contact {
  uint32_t request_id;     /* 0: none under way */
  uint8_t first, count, done;
  uint8_t results[SCP_CONTACT_RAIL * 5];
} sc_contact;

typedef struct sc_supply {
  bool running, event_due;
  uint8_t rail;
  uint32_t interval_ns[2]; /* averaged, burst */
  uint32_t dropped;        /* of this stream */
  uint32_t stop_request_id; /* waits until the last samples are sent */
  uint64_t next_fetch_ns, last_event_ns;
} sc_supply;

struct sc_core {
  const sc_hal* hal;
  const sc_identity* identity;
  scp_parser parser;
  sc_queue queues[SCP_CHANNELS];
  bool pipe_full;
  uint64_t flush_by_ns;    /* page frames wait for company until then */
  uint32_t max_payload;
  uint8_t version;         /* agreed */
  uint32_t expected_sequence;
  uint64_t last_byte_ns, last_frame_ns, next_watch_ns;
  bool silent;             /* the host has missed its heartbeat */
  uint32_t frames_bad, samples_dropped, refused_programs, consents;

  sc_bus bus;
  sc_rail socket, port;
  sc_seen_id id_now;       /* seen at this power-up */
  sc_seen_id id_at_1v8;    /* seen at 1.8 V since HELLO, lid shut since */
  bool trusted;
  sc_contact contact;
  sc_supply supply;
};

#ifdef __cplusplus
}
#endif
#endif
