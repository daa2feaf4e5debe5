/* What a board must offer to the portable device core. Every function is called from the core's own context only, never
 * from an interrupt, and none may block for longer than it says. Nothing here can drive a data byte into a chip. */
#ifndef STEADYCELL_DEVICE_HAL_H
#define STEADYCELL_DEVICE_HAL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* A limiter that tripped shows what it tripped at on its current meter until its rail is switched off. */
enum sc_meter { SC_METER_SOCKET_MV, SC_METER_SOCKET_MA, SC_METER_PORT_MV, SC_METER_PORT_UA, SC_METER_WP_HIGH, SC_METER_LID_OPEN };

typedef struct sc_sample {
  int32_t microamps;
  int16_t millivolts, probe1_mv, probe2_mv;
  uint16_t flags; /* bit 0: current saturated */
} sc_sample;

typedef struct sc_hal {
  void* self; /* handed to every function */

  /* Monotonic nanoseconds; the only clock of the core. */
  uint64_t (*now_ns)(void* self);

  /* Bus. `select` drives one CE# low (-1: all high); a cycle lasts what the timing mode of `bus_timing` says.
   * `pass` tells the simulated cells which pass this is; hardware ignores it. */
  void (*bus_timing)(void* self, uint8_t mode, uint8_t bus_bits);
  void (*bus_select)(void* self, int target, uint32_t pass);
  void (*bus_command)(void* self, uint8_t opcode);
  void (*bus_address)(void* self, uint8_t byte);
  void (*bus_read)(void* self, uint8_t* out, uint32_t n); /* x16: two bytes a cycle, low lane first; n is even then */
  bool (*bus_ready)(void* self);                          /* level of R/B# */
  void (*wait_ns)(void* self, uint64_t ns);               /* returns not before; a simulator may jump its clock */

  /* Rails. mv 0 switches off and connects the bleed. The limiter latches off by itself at limit_ma. */
  void (*socket_rail)(void* self, uint16_t mv, uint16_t limit_ma);
  void (*port_rail)(void* self, uint16_t mv, uint16_t limit_ma, uint16_t ramp_ms, bool data_lines);
  int32_t (*meter)(void* self, int which);

  /* Contact measurement: forces +/-100 uA into a position (1..48, 49 = VCC against GND), both rails off and held at 0 V, all
   * else floating; returns mV. A supply position (12, 13, 36, 37) is forced alone: its twin floats, the other supply is held.
   * A board that cannot part the twins returns 0 there. */
  int16_t (*contact_force)(void* self, uint8_t position, int16_t microamps);
  /* Positions as bits, position 1 the lowest. Those in `low` are held at 0 V, all others pulled weakly (10 to 100 kohm) to
   * 0.25 V, below any junction; returns which read below half of that, `low` included. Both VCC positions (12, 37) are always
   * given alike, so are both ground positions (13, 36): the board may hold them together. */
  uint64_t (*contact_low)(void* self, uint64_t low);

  /* Port lines before power: 0 the supply, 1 D+, 2 D-. A current source of so many microamps that gives at most so many
   * millivolts, either sign; its line's bleed is off, the other lines are at 0 V. 0 uA: all back to the bleed. port_sense
   * returns what the line carries now, with its sign; at 0 uA still of the line that was forced last. */
  void (*port_force)(void* self, uint8_t line, int16_t microamps, uint16_t most_mv);
  void (*port_sense)(void* self, int32_t* microvolts, int32_t* nanoamps);

  /* Supply sampling of one rail. kind 0 averaged, 1 burst. `supply_read` returns up to `room` samples that are due,
   * the time of the first, and how many were lost before them; 0 when none is due. */
  void (*supply_start)(void* self, uint8_t rail, uint32_t averaged_ns, uint32_t burst_ns, uint16_t burst_ms);
  void (*supply_stop)(void* self);
  size_t (*supply_read)(void* self, uint8_t kind, sc_sample* out, size_t room, uint64_t* first_ns, uint32_t* dropped);

  /* Link. Takes up to n bytes towards the host without waiting; returns how many. */
  size_t (*send)(void* self, const uint8_t* bytes, size_t n);
} sc_hal;

#ifdef __cplusplus
}
#endif
#endif
