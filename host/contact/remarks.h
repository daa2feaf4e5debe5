#pragma once
#include <cstdlib>
#include <string>
#include <vector>

#include "contact/contact.h"

// The finer print of a contact check: thresholds, and what is worth a note beside `seated`. Not for other rooms.
namespace steadycell::contact {

inline constexpr int kJunctionLow_mV = 250;    // a hot junction; below it something conducts without one
inline constexpr int kJunctionHigh_mV = 1100;  // a cold junction with some 3 kohm in series; beyond it no usable contact

inline bool conducts(int mV) { return std::abs(mV) >= kJunctionLow_mV && std::abs(mV) <= kJunctionHigh_mV; }
inline bool shorts(int mV) { return std::abs(mV) < kJunctionLow_mV; }

// Series resistance, leakage and temperature, from the differences between the pins of one chip and between it and any.
std::vector<std::string> remarks_on(const Readings& readings, const SocketMap& map);

// Other parts that would read the same with one pin open, and what contacts cannot tell at all.
std::vector<std::string> other_readings_of(const SocketMap& chosen, const PositionSet& conducting);

}  // namespace steadycell::contact
