/* The steadycell wire protocol, version 1: what host and board say to each other over one byte stream each way.
 * PROTOCOL.md has the byte tables and the rules; this header has the same numbers for C11 and C++.
 *
 * All numbers are little-endian. Bytes are written and read one by one; no struct is ever copied onto the wire. */
#ifndef STEADYCELL_PROTOCOL_H
#define STEADYCELL_PROTOCOL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* ---- Frame: header, payload, trailer --------------------------------------------------------------------------
 *  0  4  magic 53 64 43 31 ("SdC1")
 *  4  1  protocol version
 *  5  1  channel
 *  6  2  type
 *  8  4  sequence: counts every frame of this channel and direction from 0 since HELLO, wrapping; the board's also
 *        start anew with the answer to ABORT
 * 12  4  request id: chosen by the host, never 0; echoed by every frame that the request caused; 0 = unasked
 * 16  4  payload length
 * 20  4  CRC-32C of bytes 0..19: a damaged length is seen before anybody waits for its payload
 * 24  n  payload
 * 24+n 4 CRC-32C of the payload (of no bytes: 0) */
/* Only the tests build either side at another version, to let neighbouring releases talk to each other. */
#ifndef SCP_BUILD_VERSION
#define SCP_BUILD_VERSION 1
#endif
enum {
  SCP_VERSION = SCP_BUILD_VERSION,
  SCP_VERSION_OLDEST = SCP_BUILD_VERSION > 1 ? SCP_BUILD_VERSION - 1 : 1, /* this side still speaks; 0 was never published */
  SCP_HEADER_BYTES = 24,
  SCP_TRAILER_BYTES = 4,
  SCP_MAX_PAYLOAD = 131072, /* hard maximum; a board may announce less in HELLO */
  SCP_MAX_FRAME = SCP_HEADER_BYTES + SCP_MAX_PAYLOAD + SCP_TRAILER_BYTES,
  SCP_MAX_REQUEST = 512 /* longest payload towards the board; a longer one is a bad frame there */
};

enum scp_channel { SCP_CHANNEL_COMMAND = 0, SCP_CHANNEL_PAGE = 1, SCP_CHANNEL_SUPPLY = 2, SCP_CHANNELS = 3 };

/* Types. A request goes to the board on the command channel; its answer has the same number with the top bit set and
 * starts with a status (u16) and a detail (u16), see enum scp_status. */
enum scp_type {
  SCP_HELLO = 0x0001,
  SCP_HEARTBEAT = 0x0002,
  SCP_ABORT = 0x0003,
  SCP_BOARD_STATE = 0x0004,
  SCP_SOCKET_ON = 0x0010,
  SCP_SOCKET_OFF = 0x0011,
  SCP_SOCKET_TRUST = 0x0012,   /* the host has read the ID at 1.8 V and the chip is a 1.8 V part: pages may be read */
  SCP_BUS_SETUP = 0x0020,
  SCP_PROGRAM_LOAD = 0x0021,
  SCP_PROGRAM_RUN = 0x0022,
  SCP_CONTACT_MEASURE = 0x0030,
  SCP_PORT_ON = 0x0040,
  SCP_PORT_OFF = 0x0041,
  SCP_SUPPLY_START = 0x0042,
  SCP_SUPPLY_STOP = 0x0043,
  SCP_PORT_MEASURE = 0x0044,
  SCP_ANSWER = 0x8000,

  SCP_PAGE_DATA = 0x0100, /* page channel: one iteration of a running program */
  SCP_RUN_END = 0x0101,   /* page channel: the run is over; behind its last page */
  SCP_SAMPLES = 0x0200,   /* supply channel: a run of samples */
  SCP_EVENT = 0x0300      /* command channel, request id 0: something happened by itself */
};

enum scp_status {
  SCP_OK = 0,
  SCP_BAD_REQUEST = 1,       /* malformed or out of range; detail: offset of the byte at fault */
  SCP_UNKNOWN_TYPE = 2,
  SCP_REFUSED_SEQUENCE = 3,  /* the command filter; detail: index of the micro-operation at fault */
  SCP_REFUSED_RAIL = 4,      /* not in this rail state: rail off, not trusted at 1.8 V, needs consent */
  SCP_BUSY = 5,              /* another program or measurement runs, or its queue is full */
  SCP_LID_OPEN = 6,
  SCP_RAIL_FAILED = 7,       /* detail: millivolts seen */
  SCP_CURRENT_LIMIT = 8,     /* detail: milliamps seen */
  SCP_BLEED_FAILED = 9,      /* detail: millivolts left */
  SCP_WP_HIGH = 10,
  SCP_VERSION_MISMATCH = 11, /* detail: oldest version << 8 | newest version */
  SCP_NO_SUCH_PROGRAM = 12,
  SCP_ABORTED = 13,
  SCP_RAIL_LOST = 14         /* the rail went off during the run: heartbeat, lid or limit */
};

/* ---- Requests: payload bytes ----------------------------------------------------------------------------------
 * HELLO           u8 oldest version, u8 newest version, u16 0; allowed in any state; it restarts both sequences (it is frame
 *                 0 of its channel, its answer frame 0 of the other way), ends any run and supply stream, empties the
 *                 program slots, forgets the ID seen at 1.8 V, and leaves the rails alone.
 *   answer        status, detail, then scp_hello (see below)
 * HEARTBEAT       empty; any valid frame counts as one. Silence of 500 ms cuts the socket rail; the port follows its
 *                 own `keep` flag.
 *   answer        status, detail
 * ABORT           u64 nonce. Served at once, even with the pipe full. Ends runs and streams; what was queued is dropped.
 *   answer        status, detail, u64 nonce. Nothing caused by an earlier request follows it.
 * BOARD_STATE     empty
 *   answer        status, detail, then scp_board_state
 * SOCKET_ON       u16 mV (1800 or 3300), u16 limit mA, u8 ground (scp_ground), u8 0, u8 id length, id bytes.
 *                 Grounds: PROBE only with 1800. CHIP_ANSWER: id must equal the ID that the board itself saw at 1.8 V
 *                 since HELLO. USER_WORD: the user allowed 3300 for a silent chip; the board counts these.
 *   answer        status, detail, u16 mV measured
 * SOCKET_OFF      empty; returns when the rail is bled below 100 mV
 *   answer        status, detail, u16 mV measured
 * SOCKET_TRUST    u8 id length, id bytes: must equal the ID that the board saw at this power-up.
 *   answer        status, detail
 * BUS_SETUP       u8 timing mode 0..5, u8 bus bits (8|16), u8 addressing (scp_addressing), u8 column cycles,
 *                 u8 row cycles, u8 0, u16 0
 *   answer        status, detail
 * PROGRAM_LOAD    u8 slot 0..3, u8 0, u16 length of program, program bytes (scp_op). Checked by the command filter now; its
 *                 waits together are at most 200 ms.
 *   answer        status, detail
 * PROGRAM_RUN     u8 slot, u8 target (CE# number), u16 0, u32 pass index, u32 first row, u32 rows in a group,
 *                 u32 group stride (rows), u32 groups. Iterates group by group, row by row; one PAGE_DATA each. Up to
 *                 SCP_RUN_QUEUE runs may be queued; they run in order.
 *   answer        status, detail; sent when accepted. The run's frames carry the request id.
 * CONTACT_MEASURE u8 first position (1..48, 49 = RAIL), u8 count. Only with both socket rails off and bled.
 *   answer        status, detail, u8 first, u8 count, then per position i16 mV at +100 uA, i16 mV at -100 uA,
 *                 u8 next position it is tied to (0 none). Compliance reads as +/-1500.
 * PORT_ON         u16 mV (5000), u16 limit mA, u16 ramp ms, u8 flags (bit 0 data lines through, bit 1 keep when the
 *                 host is silent), u8 0
 *   answer        status, detail, u16 mV measured at ramp end. A trip is status CURRENT_LIMIT; samples go on.
 * PORT_OFF        empty; returns when the port is bled below 100 mV
 *   answer        status, detail, u16 mV measured
 * SUPPLY_START    u8 rail (scp_rail), u8 0, u16 burst ms (0 none), u32 averaged interval ns, u32 burst interval ns.
 *                 Streams from now; the burst is taken around the next switch-on of that rail.
 *   answer        status, detail
 * SUPPLY_STOP     empty
 *   answer        status, detail, u32 samples dropped
 * PORT_MEASURE    u8 line (scp_port_line), u8 0, i16 uA (1..1000 either sign), u16 most mV (1..1500), u16 early us
 *                 (100..50000), u16 settle ms (longer than early, at most 2000). Only with both rails off and bled.
 *   answer        status, detail, u32 us from the start to the early reading, i32 uV and i32 nA then, i32 uV and i32 nA at
 *                 the end. The line is bled below 100 mV again when it comes.
 *
 * ---- Frames of the page channel ----
 * PAGE_DATA       u8 target, u8 flags (scp_page_flags), u8 wp level, u8 0, u32 pass index, u32 row, u32 ns busy,
 *                 u32 length, then the bytes read (all READ operations of one iteration, one after the other)
 * RUN_END         status, detail, u32 iterations done, u32 iterations asked
 *
 * ---- Frames of the supply channel ----
 * SAMPLES         u8 rail, u8 kind (0 averaged, 1 burst), u16 count, u64 ns of the first sample (board clock),
 *                 u32 ns between samples, u32 samples dropped before this frame, then per sample
 *                 i32 uA, i16 mV, i16 probe 1 mV, i16 probe 2 mV, u16 flags (bit 0 current saturated), u16 0
 *
 * ---- Events ----
 * EVENT           u16 kind (scp_event), u16 detail, u64 ns (board clock) */

enum scp_ground { SCP_GROUND_PROBE = 0, SCP_GROUND_CHIP_ANSWER = 1, SCP_GROUND_USER_WORD = 2 };
enum scp_addressing { SCP_LARGE_PAGE = 0, SCP_SMALL_PAGE = 1 };
enum scp_rail { SCP_RAIL_SOCKET = 0, SCP_RAIL_PORT = 1 };
enum scp_page_flags { SCP_PAGE_READY_TIMEOUT = 1, SCP_PAGE_BUSY_NOT_SEEN = 2 };
enum scp_event {
  SCP_EVENT_HEARTBEAT_CUT = 1,
  SCP_EVENT_LID_OPENED = 2,
  SCP_EVENT_SOCKET_TRIP = 3, /* detail: mA */
  SCP_EVENT_PORT_TRIP = 4,   /* detail: mA */
  SCP_EVENT_SOCKET_ON = 5,   /* detail: mV */
  SCP_EVENT_SOCKET_OFF = 6,
  SCP_EVENT_PORT_ON = 7,
  SCP_EVENT_PORT_OFF = 8,
  SCP_EVENT_SAMPLES_DROPPED = 9 /* detail: how many, 65535 = at least */
};

/* Micro-operations of a bus program. There is none that drives data bytes into the chip. */
enum scp_op {
  SCP_OP_COMMAND = 1,      /* u8 opcode: one command cycle */
  SCP_OP_ADDRESS = 2,      /* u8 byte: one address cycle */
  SCP_OP_ROW = 3,          /* the row address of this iteration: as many cycles as BUS_SETUP said */
  SCP_OP_WAIT_RB = 4,      /* u32 us: until R/B# rises, at most */
  SCP_OP_WAIT_STATUS = 5,  /* u32 us: 70h and read until bit 6 is set, at most; then 00h back to reading */
  SCP_OP_READ = 6,         /* u32 n: n bytes into the page frame */
  SCP_OP_DELAY = 7         /* u32 ns */
};
enum { SCP_MAX_PROGRAM_BYTES = 256, SCP_PROGRAM_SLOTS = 4, SCP_RUN_QUEUE = 8, SCP_CONTACT_RAIL = 49 };

enum scp_port_line { SCP_LINE_SUPPLY = 0, SCP_LINE_D_PLUS = 1, SCP_LINE_D_MINUS = 2 };
enum { SCP_PORT_READING_BYTES = 20 };

/* ---- Codec ---------------------------------------------------------------------------------------------------- */

typedef struct scp_header {
  uint8_t version, channel;
  uint16_t type;
  uint32_t sequence, request_id, length;
} scp_header;

typedef struct scp_hello {
  uint8_t version;            /* version both will speak */
  uint8_t uuid[16];           /* identity of the board (RFC 4122 bytes) */
  uint32_t boot_counter;      /* +1 at each start of the firmware */
  uint32_t firmware;          /* major << 16 | minor << 8 | patch */
  uint32_t capabilities;      /* SCP_CAN_* */
  uint32_t max_payload;
  uint32_t averaged_interval_ns, burst_interval_ns; /* fastest offered; 0 = no supply measurement */
  uint8_t targets;            /* CE# lines wired */
  char name[32];              /* ASCII, zero-padded; 28 bytes of it travel */
} scp_hello;
enum { SCP_HELLO_BYTES = 72, SCP_CAN_SOCKET = 1, SCP_CAN_PORT = 2, SCP_CAN_CONTACT = 4, SCP_CAN_X16 = 8, SCP_CAN_PORT_MEASURE = 16 };

typedef struct scp_board_state {
  uint16_t socket_mv, port_mv;     /* measured */
  int32_t port_ua;                 /* measured */
  uint8_t socket_on, port_on, lid_open, wp_high, rb_ready, running, trusted;
  uint32_t consents;               /* USER_WORD power-ups since boot */
  uint32_t frames_bad, samples_dropped, refused_programs;
} scp_board_state;
enum { SCP_BOARD_STATE_BYTES = 32 };

/* CRC-32C (Castagnoli; RFC 3720 appendix B.4 has check values) of `n` bytes, continuing from `crc` (0 at the start). */
uint32_t scp_crc32c(uint32_t crc, const uint8_t* bytes, size_t n);

/* Little-endian numbers at `at`. */
void scp_put_u16(uint8_t* at, uint16_t v);
void scp_put_u32(uint8_t* at, uint32_t v);
void scp_put_u64(uint8_t* at, uint64_t v);
uint16_t scp_get_u16(const uint8_t* at);
uint32_t scp_get_u32(const uint8_t* at);
uint64_t scp_get_u64(const uint8_t* at);

/* Writes the 24 header bytes, both fields of CRC included. */
void scp_put_header(uint8_t at[SCP_HEADER_BYTES], const scp_header* header);
/* Reads 24 bytes; false unless magic, header CRC, channel and length (<= max_payload) are right. */
bool scp_get_header(const uint8_t at[SCP_HEADER_BYTES], uint32_t max_payload, scp_header* header);
/* Writes the trailer for a payload of `n` bytes. */
void scp_put_trailer(uint8_t at[SCP_TRAILER_BYTES], const uint8_t* payload, size_t n);

void scp_put_hello(uint8_t at[SCP_HELLO_BYTES], const scp_hello* hello);
void scp_get_hello(const uint8_t at[SCP_HELLO_BYTES], scp_hello* hello);
void scp_put_board_state(uint8_t at[SCP_BOARD_STATE_BYTES], const scp_board_state* state);
void scp_get_board_state(const uint8_t at[SCP_BOARD_STATE_BYTES], scp_board_state* state);

/* Frame parser for any chunking of the stream. Damage makes it look for the next magic from the byte behind the bad one,
 * so that no good frame behind a broken one is lost. Only what the end of a chunk cuts is copied into the buffer, once. */
typedef struct scp_parser {
  uint8_t* buffer;        /* the caller's: header + greatest payload expected + trailer bytes */
  size_t capacity, fill;
  uint32_t max_payload;   /* longer frames are bad; may be lowered to what the peer announced */
  uint32_t bad_frames;    /* since init: headers or payloads whose CRC was wrong, lengths beyond the maximum */
  uint64_t skipped_bytes; /* since init: bytes that belonged to no good frame */
  size_t done;            /* bytes at the front of the buffer that are dealt with */
} scp_parser;

void scp_parser_init(scp_parser* parser, uint8_t* buffer, size_t capacity);
/* Takes up to n bytes and returns how many. When *found, one good frame is reported; its payload lies in the parser's buffer
 * or in `bytes` and is valid until the next call, as long as `bytes` is. Call again with what is left (it may be 0 bytes)
 * until *found is false: by then all bytes are taken.
 *
 *   do {
 *     size_t took = scp_parser_feed(&parser, bytes, n, &found, &header, &payload);
 *     bytes += took; n -= took;
 *     if (found) handle(&header, payload);
 *   } while (found); */
size_t scp_parser_feed(scp_parser* parser, const uint8_t* bytes, size_t n, bool* found, scp_header* header,
                       const uint8_t** payload);
/* The frame that has begun will never be whole (its sender fell silent): it counts as bad, and the next feed, 0 bytes will
 * do, looks for frames that it swallowed. Returns false when no frame has begun. */
bool scp_parser_give_up(scp_parser* parser);

#ifdef __cplusplus
}
#endif
#endif
