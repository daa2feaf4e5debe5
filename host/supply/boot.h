#pragma once
#include "supply/features.h"

// What the board does after its supply stands, bin by bin: plateaus, bursts, enumeration, repetition.
namespace steadycell::supply {

// `bins` of `out` are filled; `noise_mA` and `baseline_mA` are known; the ramp was measured. Fills the later part.
void measure_boot(Features& out);

}  // namespace steadycell::supply
