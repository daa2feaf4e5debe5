/* The grammar of allowed sequences: what may go to a chip. Everything that is not written in filter.c is refused,
 * before the first bus cycle; how a program or erase command looks need not be known. PROTOCOL.md has the same in
 * words. */
#ifndef STEADYCELL_DEVICE_FILTER_H
#define STEADYCELL_DEVICE_FILTER_H

#include "steadycell/protocol.h"

#ifdef __cplusplus
extern "C" {
#endif

/* What BUS_SETUP said. */
typedef struct sc_bus_shape {
  uint8_t timing_mode, bus_bits, addressing, column_cycles, row_cycles;
} sc_bus_shape;

/* Every wait of one iteration together: what an ABORT may have to wait for. */
#define SC_LONGEST_WAITS_NS 200000000u

typedef struct sc_verdict {
  uint16_t
      status; /* SCP_OK, SCP_BAD_REQUEST (detail: byte of the program), SCP_REFUSED_SEQUENCE (detail: operation) */
  uint16_t detail;
  bool needs_trust; /* more than RESET, ID, parameter page and status: not at 1.8 V before the chip's answer was
                       checked */
  bool reads_pages;
  uint32_t output_bytes;
} sc_verdict;

sc_verdict sc_filter(const uint8_t* ops, uint16_t length, const sc_bus_shape* shape, uint32_t max_output);

/* Bytes of the micro-operation at `at`, 0 when it is unknown or cut by the end of the program. */
uint16_t sc_op_bytes(const uint8_t* ops, uint16_t length, uint16_t at);

#ifdef __cplusplus
}
#endif
#endif
