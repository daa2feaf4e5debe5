/* What a firmware has to place in RAM for one core. Compiled only to be measured. */
#include "device/core.h"

sc_core core_state;
uint8_t arena_2112[SC_CORE_ARENA_FOR(2112)];                 /* the least */
uint8_t arena_18592_twice[2 * SC_CORE_ARENA_FOR(18592)];     /* 16 KiB pages with 2208 spare bytes, overlapping bus and pipe */
