#include "supply/switch_on.h"

#include <algorithm>
#include <cmath>
#include <vector>

namespace steadycell::supply {
namespace {

constexpr double kMilli = 1e-3;
// Gain of shunt and amplifier is good for about a percent on a real board; no charge is surer than that.
constexpr double kGainSigma = 0.01;
constexpr double kMostOffset_V = 0.3;  // of a voltage channel; common practice, no source

struct Window {
  double from_s, to_s;
};

std::vector<double> currents_in(const SwitchOnInput& in, Window w) {
  std::vector<double> out;
  for (const Sample& s : in.samples)
    if (s.time_s >= w.from_s && s.time_s < w.to_s) out.push_back(s.mA - in.baseline_mA);
  return out;
}

double median_in(const SwitchOnInput& in, Window w) {
  return median_of(currents_in(in, w));
}

double volts_in(const SwitchOnInput& in, Window w) {
  std::vector<double> out;
  for (const Sample& s : in.samples)
    if (s.time_s >= w.from_s && s.time_s < w.to_s) out.push_back(s.volts);
  return median_of(std::move(out));
}

// mA x s = 1000 uC. The sum of means is exact at any rate; the sum of points is not (a/(1 - e^-a) too much on an
// exponential, a = dt/tau), its trapezoids are good to 0.5 % up to a = 1/4.
Measured charge_in(const SwitchOnInput& in, Window w) {
  Measured q;
  std::size_t n = 0;
  double last = w.from_s, first_mA = 0, last_mA = 0;
  for (const Sample& s : in.samples) {
    if (s.time_s < w.from_s || s.time_s >= w.to_s) continue;
    q.value += (s.mA - in.baseline_mA) * in.sample_s * 1e3;
    q.at_least |= s.time_s - last > 1.5 * in.sample_s || (in.full_scale_mA && s.mA >= *in.full_scale_mA);
    last = s.time_s;
    last_mA = s.mA - in.baseline_mA;
    if (n++ == 0) first_mA = last_mA;
  }
  if (in.points) q.value -= (first_mA + last_mA) / 2 * in.sample_s * 1e3;
  const double count = static_cast<double>(n);
  q.sigma = std::hypot(in.noise_mA * std::sqrt(count), in.baseline_sigma_mA * count) * in.sample_s * 1e3;
  q.sigma = std::hypot(q.sigma, kGainSigma * q.value);
  return q;
}

// Where the voltage first passes `level`, between samples.
std::optional<double> passes(std::span<const Sample> samples, double from_s, double level) {
  const Sample* before = nullptr;
  for (const Sample& s : samples) {
    if (s.time_s < from_s - 1e-9) {
      before = &s;
      continue;
    }
    if (s.volts >= level) {
      if (!before || s.volts <= before->volts) return s.time_s;
      return before->time_s + (s.time_s - before->time_s) * (level - before->volts) / (s.volts - before->volts);
    }
    before = &s;
  }
  return std::nullopt;
}

struct Slope {
  double per_s = 0, sigma = 0;
  std::size_t samples = 0;
};

// Straight line through the voltage where it lies between two levels, up to time `to_s`.
Slope voltage_slope(const SwitchOnInput& in, double low_V, double high_V, double to_s) {
  double n = 0, st = 0, sv = 0, stt = 0, stv = 0;
  for (const Sample& s : in.samples) {
    if (s.time_s < in.t_on_s - 1e-9 || s.time_s > to_s || s.volts < low_V || s.volts > high_V) continue;
    const double t = s.time_s - in.t_on_s;
    n += 1, st += t, sv += s.volts, stt += t * t, stv += t * s.volts;
  }
  const double spread = n * stt - st * st;
  Slope slope;
  slope.samples = static_cast<std::size_t>(n);
  if (n < 2 || spread <= 0) return slope;
  slope.per_s = (n * stv - st * sv) / spread;
  slope.sigma = 0.005 * std::sqrt(n / spread) + 0.003 * std::abs(slope.per_s);  // 5 mV a reading, 0.3 % gain
  return slope;
}

// Current against voltage as a straight line, between two levels of the ramp.
void fit_ramp_current(const SwitchOnInput& in, double low_V, double high_V, double to_s, Features& out) {
  double n = 0, sv = 0, si = 0, svv = 0, svi = 0;
  for (const Sample& s : in.samples) {
    if (s.time_s < in.t_on_s - 1e-9 || s.time_s > to_s || s.volts < low_V || s.volts > high_V) continue;
    const double mA = s.mA - in.baseline_mA;
    n += 1, sv += s.volts, si += mA, svv += s.volts * s.volts, svi += s.volts * mA;
  }
  const double spread = n * svv - sv * sv;
  if (n < 3 || spread <= 0) return;
  out.ramp_mA_per_V = (n * svi - sv * si) / spread;
  out.ramp_mA_at_0V = (si - out.ramp_mA_per_V * sv) / n;
}

// An exponential's time constant by a straight line through ln(i - i_end), weights i^2 (so that each point counts
// by its relative error), from samples far above noise and below saturation. USB hot attach without a ramp.
std::optional<Measured> time_constant(const SwitchOnInput& in, double after_mA) {
  double top = 0;
  std::size_t at = 0;
  for (std::size_t i = 0; i < in.samples.size(); ++i) {
    if (in.samples[i].time_s > in.t_on_s + 5 * kMilli) break;
    if (in.samples[i].time_s >= in.t_on_s - 1e-9 && in.samples[i].mA > top) top = in.samples[i].mA, at = i;
  }
  double n = 0, w = 0, wt = 0, wy = 0, wtt = 0, wty = 0;
  std::vector<double> logs, times;
  for (std::size_t i = at; i < in.samples.size(); ++i) {
    const double above = in.samples[i].mA - in.baseline_mA - after_mA;
    if (above < std::max(10 * in.noise_mA, 0.02 * top)) break;
    if (in.full_scale_mA && in.samples[i].mA >= *in.full_scale_mA) continue;
    const double t = in.samples[i].time_s - in.t_on_s, y = std::log(above), weight = above * above;
    n += 1, w += weight, wt += weight * t, wy += weight * y, wtt += weight * t * t, wty += weight * t * y;
    logs.push_back(y);
    times.push_back(t);
  }
  const double spread = w * wtt - wt * wt;
  if (n < 5 || spread <= 0) return std::nullopt;
  const double slope = (w * wty - wt * wy) / spread, offset = (wy - slope * wt) / w;
  if (slope >= 0) return std::nullopt;
  // It is an exponential only if the points lie on the line: a limiter's flat top does not.
  double worst = 0;
  for (std::size_t i = 0; i < logs.size(); ++i)
    worst = std::max(worst, std::abs(logs[i] - offset - slope * times[i]));
  if (worst > 0.25 || logs.front() - logs.back() < 1) return std::nullopt;
  return Measured{-1e6 / slope, 1e6 / (slope * slope) * std::sqrt(w / spread) * std::max(in.noise_mA, 0.01),
                  false};
}

// USB 2.0, 7.2.4.1: a region runs from crossing 100 mA until the current was below 100 mA for 100 us; the one with
// the largest charge counts. Reported as two numbers; neither is a certification.
void largest_region(const SwitchOnInput& in, Features& out) {
  constexpr double kUnitLoad = 100, kQuiet = 100e-6;
  double charge = 0, above = 0, below_since = -1;
  const auto close = [&] {
    if (charge > out.region_uC) out.region_uC = charge, out.region_excess_uC = above;
    charge = above = 0;
    below_since = -1;
  };
  for (const Sample& s : in.samples) {
    const double mA = s.mA - in.baseline_mA, uC = mA * in.sample_s * 1e3;
    if (mA > kUnitLoad) {
      charge += uC;
      above += (mA - kUnitLoad) * in.sample_s * 1e3;
      below_since = -1;
    } else if (charge > 0) {
      if (below_since < 0) below_since = s.time_s;
      if (s.time_s + in.sample_s - below_since >= kQuiet - 1e-9) {
        close();
      } else {
        charge += uC;
      }
    }
  }
  close();
}

// Where the current passed 10 % and 85 % of its end value, and the voltage there.
RampShape ramp_shape(const SwitchOnInput& in, double end_mA, double end_V) {
  RampShape shape;
  const auto volts_at = [&](double mA, double& gap) -> std::optional<double> {
    const Sample* before = nullptr;
    for (const Sample& s : in.samples) {
      if (s.time_s < in.t_on_s - 2 * in.sample_s) continue;
      if (s.mA - in.baseline_mA >= mA && s.time_s >= in.t_on_s - 1e-9) {
        if (!before) return std::nullopt;
        const double i0 = before->mA - in.baseline_mA, i1 = s.mA - in.baseline_mA;
        gap = s.volts - before->volts;
        return before->volts + (s.volts - before->volts) * (i1 > i0 ? (mA - i0) / (i1 - i0) : 1.0);
      }
      before = &s;
    }
    return std::nullopt;
  };
  // What is read before power is the channel's offset: a rail at rest is discharged, or a resistor on it would have done so.
  const double zero_V = in.seen_at_rest && std::abs(in.rest_V) < kMostOffset_V ? in.rest_V : 0;
  end_V -= zero_V;
  for (const Sample& s : in.samples) {
    if (s.time_s < in.t_on_s - 1e-9 || end_V < 0.02) continue;
    const double share_V = (s.volts - zero_V) / end_V, share_mA = (s.mA - in.baseline_mA) / end_mA;
    if (share_V > 0.9) break;
    if (share_V > 0.15) shape.chord = std::min(shape.chord.value_or(1e9), share_mA / share_V);
  }
  double gap_10 = 0, gap_85 = 0;
  const auto at_10 = volts_at(0.10 * end_mA, gap_10), at_85 = volts_at(0.85 * end_mA, gap_85);
  if (!at_10 || !at_85) return shape;
  shape.volts_at_10 = *at_10 - zero_V;
  shape.volts_at_85 = *at_85 - zero_V;
  // A step of the voltage over more than half its way between two samples hides the shape.
  shape.resolved = end_V > 0 && std::max(gap_10, gap_85) < 0.55 * end_V;
  return shape;
}

struct Ramp {
  double on_s, end_s, rise_s, top_V;
  double behind_mA;  // level just behind it
};

// A regulator that is still starting softly draws more and more behind the ramp, as it did on it: the level right at the ramp's
// end is then less than what flows a moment later. Taken back by the smaller of the two slopes, since behind the ramp a
// controller may start to draw, and a load at 5 V stops growing. `before_mA_per_s`: on the ramp.
double behind_at_end(const SwitchOnInput& in, const Ramp& ramp, double before_mA_per_s) {
  const double from = ramp.end_s + 0.55 * in.sample_s, near = from + std::max(0.15 * kMilli, 1.01 * in.sample_s),
               to = from + std::max(0.4 * kMilli, 4.01 * in.sample_s);
  double n = 0, st = 0, si = 0, stt = 0, sti = 0, near_n = 0, near_s = 0, near_mA = 0;
  for (const Sample& s : in.samples) {
    if (s.time_s < from || s.time_s >= to) continue;
    const double t = s.time_s - ramp.end_s, mA = s.mA - in.baseline_mA;
    n += 1, st += t, si += mA, stt += t * t, sti += t * mA;
    if (s.time_s < near) near_n += 1, near_s += t, near_mA += mA;
  }
  const double spread = n * stt - st * st;
  if (n < 4 || spread <= 0 || near_n == 0) return ramp.behind_mA;
  const double slope = std::min((n * sti - st * si) / spread, before_mA_per_s);
  if (slope * (to - from) < std::max(3.0, 6 * in.noise_mA)) return ramp.behind_mA;
  return (near_mA - slope * near_s) / near_n;
}

// C = delta I / (dV/dt): the step of the current where the ramp ends. Nothing when no sample lies well on the
// ramp.
std::optional<Measured> input_from_step(const SwitchOnInput& in, const Ramp& ramp, const Features& fit) {
  const double dt = in.sample_s;
  const Slope slope = voltage_slope(in, 0.5 * ramp.top_V, 0.93 * ramp.top_V, ramp.end_s);
  const auto values = currents_in(
      in, {ramp.on_s + (ramp.end_s - ramp.on_s) * 0.55, ramp.end_s - std::max(0.08 * ramp.rise_s, dt)});
  if (slope.samples < 2 || slope.per_s <= 0 || values.empty()) return std::nullopt;
  double before_mA = median_of(values);
  // A load that grows with the voltage is taken to the ramp's end along its line.
  if (fit.ramp_mA_per_V * 0.25 * ramp.top_V > std::max(3.0, 4 * in.noise_mA))
    before_mA = fit.ramp_mA_at_0V + fit.ramp_mA_per_V * ramp.top_V;
  const double step = std::max(0.0, before_mA - behind_at_end(in, ramp, fit.ramp_mA_per_V * slope.per_s));
  const double step_sigma =
      1.25 * in.noise_mA *
      std::sqrt(1.0 / static_cast<double>(values.size()) + std::min(1.0, dt / (0.15 * kMilli)));
  Measured c;
  c.value = step / slope.per_s * 1e3;  // mA / (V/s) = 1000 uF
  c.sigma =
      std::hypot(step_sigma / slope.per_s * 1e3, c.value * std::hypot(kGainSigma, slope.sigma / slope.per_s));
  c.at_least = in.full_scale_mA && before_mA + in.baseline_mA >= *in.full_scale_mA;
  // A limiter makes the end of the ramp round; the charge is the better witness then, less what flows behind.
  const double to_s = ramp.end_s + 0.3 * kMilli;
  const Measured charge = charge_in(in, {ramp.on_s - dt / 2, to_s});
  const double through = (charge.value - std::max(0.0, ramp.behind_mA) * (to_s - ramp.on_s) * 1e3) / ramp.top_V;
  if (through > std::max(20.0, c.value)) {
    c.sigma = std::hypot(charge.sigma / ramp.top_V, 0.5 * (through - c.value));
    c.value = through;
  }
  return c;
}

// No ramp to see: the charge of the spike above what flows behind it. The regulator's output charges meanwhile, so
// the value is rough and rather high.
Measured input_from_spike(const SwitchOnInput& in, const Ramp& ramp) {
  const double to_s = ramp.end_s + std::max(0.15 * kMilli, 2 * in.sample_s);
  const Measured charge = charge_in(in, {ramp.on_s - in.sample_s / 2, to_s});
  const double value = std::max(0.0, charge.value - std::max(0.0, ramp.behind_mA) * (to_s - ramp.on_s) * 1e3);
  return {value / ramp.top_V, std::hypot(charge.sigma, 0.15 * value) / ramp.top_V, charge.at_least};
}

// Lowest 0.5 ms median within `window`: the level before the controller's clock starts, or what never goes away.
double lowest_level(const SwitchOnInput& in, Window window) {
  const double step = std::max(0.5 * kMilli, 3 * in.sample_s);
  double lowest = -1;
  for (double at = window.from_s; at + step <= window.to_s + 1e-9; at += step / 2) {
    const auto values = currents_in(in, {at, at + step});
    if (values.size() < 2) continue;
    const double level = median_of(values);
    if (lowest < 0 || level < lowest) lowest = level;
  }
  return lowest;
}

// Samples are missing right before power or on the way up: charge flowed that nobody saw.
bool torn(const SwitchOnInput& in, double to_s) {
  const Sample* before = nullptr;
  for (const Sample& s : in.samples) {
    if (before && s.time_s > in.t_on_s - in.sample_s && before->time_s < to_s && s.time_s - before->time_s > 1.5 * in.sample_s) return true;
    before = &s;
  }
  return false;
}

}  // namespace

double median_of(std::vector<double> values) {
  if (values.empty()) return 0;
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  if (values.size() % 2) return *middle;
  return (*middle + *std::max_element(values.begin(), middle)) / 2;
}

double noise_of(std::span<const Sample> samples) {
  std::vector<double> steps;
  for (std::size_t i = 1; i < samples.size(); ++i) steps.push_back(samples[i].mA - samples[i - 1].mA);
  const double middle = median_of(steps);
  double smallest = 0;
  for (double& step : steps) {
    step = std::abs(step - middle);
    if (step > 1e-9 && (smallest == 0 || step < smallest)) smallest = step;
  }
  // Quiet samples all of one code still carry the noise of the quantiser: its step / sqrt 12.
  return std::max(median_of(std::move(steps)) / (0.6745 * std::sqrt(2.0)), smallest / std::sqrt(12.0) * 0.5);
}

std::optional<double> power_gone(const SwitchOnInput& in) {
  constexpr std::size_t kInARow = 5;  // a contact that bounces comes back sooner
  const double least_mA = std::max(1.0, 8 * in.noise_mA);
  bool seen = false;
  double last_s = 0;
  std::size_t without = 0;
  for (const Sample& s : in.samples) {
    if (s.time_s < in.t_on_s - in.sample_s / 2) continue;
    if (s.volts > in.rest_V + 0.05 || s.mA - in.baseline_mA > least_mA) {
      seen = true;
      last_s = s.time_s;
      without = 0;
    } else if (seen && ++without == kInARow) {
      return last_s + in.sample_s;
    }
  }
  return std::nullopt;
}

void measure_first_moments(const SwitchOnInput& in, Features& out) {
  const Window first{in.t_on_s, in.t_on_s + std::max(4 * kMilli, 4 * in.sample_s)};
  out.early_mA = median_in(in, first);
  out.early_V = volts_in(in, first);
}

void measure_switch_on(const SwitchOnInput& in, Features& out) {
  const double dt = in.sample_s, on = in.t_on_s;
  const double seen_to = in.samples.empty() ? on : in.samples.back().time_s + dt;
  const auto clipped = [&](Window w) { return Window{w.from_s, std::min(w.to_s, seen_to)}; };
  largest_region(in, out);

  Window early{on + kMilli, on + std::max(4 * kMilli, kMilli + 4 * dt)};
  if (const auto gone = power_gone(in)) {
    early.to_s = std::min(early.to_s, *gone);
    early.from_s = std::min(early.from_s, (on + early.to_s) / 2);
  }
  out.early_mA = median_in(in, clipped(early));
  out.early_V = volts_in(in, clipped(early));
  {
    // Trend of a voltage that stays below its rail: a capacitor still charging, or a load that holds it down.
    const double from = on + 5 * kMilli, half = on + 25 * kMilli, to = std::min(on + 50 * kMilli, seen_to);
    if (to > half)
      out.early_slope_V_per_s = (volts_in(in, {half, to}) - volts_in(in, {from, half})) / (0.5 * (to - from));
  }
  out.ramp_shape = ramp_shape(in, out.early_mA, out.early_V);

  // The ramp: slope of the voltage between 15 % and 85 % of where it ends within this window.
  double top = 0;
  {
    std::vector<double> volts;
    for (const Sample& s : in.samples)
      if (s.time_s >= on) volts.push_back(s.volts);
    if (volts.empty()) return;
    const auto high = volts.begin() + static_cast<std::ptrdiff_t>(volts.size() * 9 / 10);
    std::nth_element(volts.begin(), high, volts.end());
    top = *high;
  }
  const auto t_15 = passes(in.samples, on - dt, 0.15 * top), t_85 = passes(in.samples, on - dt, 0.85 * top);
  if (top < 0.05 || !t_15 || !t_85) return;
  const double rise = (*t_85 - *t_15) / 0.7;
  out.ramp_s = rise;
  const double end = *t_85 + 0.15 * rise;
  out.ramp_resolved = rise >= 4 * dt;

  out.switch_on_uC = charge_in(in, clipped({on - dt / 2, end + kMilli}));
  // Just behind the ramp the input capacitor is full and only what stands behind it still draws.
  // Times are starts of intervals, and the voltage of an interval is that of its middle: the ramp ends half an
  // interval behind `end`.
  const Window after{end + 0.55 * dt, end + 0.55 * dt + std::max(0.15 * kMilli, 1.01 * dt)};
  const double after_mA = median_in(in, clipped(after));
  out.behind_ramp_mA = after_mA;
  if (out.ramp_resolved) fit_ramp_current(in, 0.5 * top, 0.95 * top, end, out);
  const Ramp ramp{on, end, rise, top, after_mA};
  if (const auto from_step = out.ramp_resolved ? input_from_step(in, ramp, out) : std::nullopt) {
    out.input_uF = *from_step;
  } else {
    // What flows behind the spike; a slow exponential has not ended within a millisecond.
    double late_mA = 0;
    for (const double late_s : {0.7 * kMilli, 3 * kMilli}) {
      late_mA = median_in(in, clipped({end + late_s, end + late_s + std::max(0.3 * kMilli, 2 * dt)}));
      out.time_constant_us = time_constant(in, late_mA);
      if (out.time_constant_us) break;
    }
    out.input_uF = input_from_spike(in, ramp);
    if (out.time_constant_us) {  // a plain exponential: all of the charge is the capacitor's
      const double charge = out.switch_on_uC.value - std::max(0.0, late_mA) * (end + kMilli - on) * 1e3;
      out.input_uF = {charge / top, out.switch_on_uC.sigma / top, out.switch_on_uC.at_least};
    }
  }
  if (torn(in, end + kMilli)) out.switch_on_uC.at_least = out.input_uF.at_least = true;
  out.behind_uC.value = out.switch_on_uC.value - out.input_uF.value * top;
  out.behind_uC.sigma = std::hypot(out.switch_on_uC.sigma, out.input_uF.sigma * top);
  out.reset_mA = median_in(in, clipped({end + 1.2 * kMilli, end + std::max(3.2 * kMilli, 1.2 * kMilli + 3 * dt)}));
  const double level = lowest_level(in, clipped({end + 0.3 * kMilli, end + 6 * kMilli}));
  out.first_level_mA = {level, std::hypot(in.noise_mA * 0.6, in.baseline_sigma_mA), false};
  out.equivalent_uF = (out.switch_on_uC.value - std::max(0.0, level) * (end + kMilli - on) * 1e3) / top;
}

}  // namespace steadycell::supply
