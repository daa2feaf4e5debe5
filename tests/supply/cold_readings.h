#pragma once
#include <cmath>

#include "supply/cold.h"

// Readings of the check before power, from Ohm's law and C = I t / V.
namespace steadycell::supply::test {

// A source of `amps` and at most `most` volts into a resistor beside a capacitor, behind 0.4 ohm of lead.
inline ColdReading into(double ohm, double farads, double amps, double most) {
  const double lead = 0.4, sign = amps < 0 ? -1 : 1;
  const auto at = [&](double t) {
    const double inner = std::abs(amps) * ohm * (farads > 0 ? -std::expm1(-t / (ohm * farads)) : 1.0);
    return std::min(most, inner + lead * std::abs(amps));
  };
  const auto current = [&](double volts) { return volts < most ? std::abs(amps) : std::min(std::abs(amps), most / (ohm + lead)); };
  ColdReading r;
  r.asked_A = amps, r.most_V = sign * most, r.early_s = 1e-3;
  r.early_V = sign * at(1e-3), r.early_A = sign * current(at(1e-3));
  r.volts = sign * at(2.0), r.amps = sign * current(at(2.0));
  return r;
}
inline ColdReading junction(double volts, double amps) {
  ColdReading r;
  r.asked_A = amps, r.most_V = amps < 0 ? -1.5 : 1.5, r.early_s = 1e-3;
  r.early_V = r.volts = amps < 0 ? -volts : volts;
  r.early_A = r.amps = amps;
  return r;
}
inline ColdReading open(double amps) {
  ColdReading r = junction(1.5, amps);
  r.early_A = r.amps = 0;
  return r;
}

inline ColdReadings stick(double ohm, double uF = 10) {
  ColdReadings r;
  r.forward = into(ohm, uF * 1e-6, 1e-3, 0.2);
  r.backward = into(ohm, uF * 1e-6, -1e-3, 0.2);
  r.charge = into(ohm, uF * 1e-6, 1e-4, 0.2);
  r.junction = ohm < 1e3 ? into(ohm, 0, -1e-4, 1.5) : junction(0.6, -1e-4);
  for (std::size_t i = 0; i < 2; ++i) r.data_forward[i] = junction(0.65, 1e-4), r.data_backward[i] = junction(0.6, -1e-4);
  return r;
}

}  // namespace steadycell::supply::test
