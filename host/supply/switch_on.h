#pragma once
#include <optional>
#include <span>

#include "supply/features.h"

// The first milliseconds of power, sample by sample: charges, capacitance, the shape of the rise.
namespace steadycell::supply {

// Location and scale of samples that may hold a few foreign ones.
double median_of(std::vector<double> values);
// Noise of one sample from first differences, which slow changes do not reach: MAD / (0.6745 sqrt 2)
// (Rousseeuw and Croux, JASA 88 (1993) 1273).
double noise_of(std::span<const Sample> samples);

struct SwitchOnInput {
  std::span<const Sample> samples;  // from before t_on to some 60 ms behind it
  double t_on_s = 0, sample_s = 0;
  double baseline_mA = 0, baseline_sigma_mA = 0, noise_mA = 0, rest_V = 0;
  bool seen_at_rest = false;  // the samples begin before power, so that rest_V is the voltage channel's zero
  std::optional<double> full_scale_mA;
  bool points = false;  // samples are moments, not means over their interval: charges by the trapezoid rule
};
// When the power that came at t_on was gone again, if it went within the samples: a limiter opens in a millisecond, and
// what it let through until then is all there is to judge a short by.
std::optional<double> power_gone(const SwitchOnInput& in);
// Of a trace that starts powered: what flows in its first moments, as early_mA and early_V.
void measure_first_moments(const SwitchOnInput& in, Features& out);
// Fills the switch-on part of `out`.
void measure_switch_on(const SwitchOnInput& in, Features& out);

}  // namespace steadycell::supply
