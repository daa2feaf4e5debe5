#include <fmt/format.h>

#include "supply/judge.h"

// Is the recording what it says it is? A channel that was not connected, or the wrong way round, and a rail named wrongly make a trace that
// no circuit shows; read as if one did, a sound board comes out shorted and a shorted one sound. Thresholds are common practice, no source.
namespace steadycell::supply {
namespace {

// A supply cannot take current back for long, nor at switch-on: nothing on the other side has any to give.
bool reversed_current(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  const double least = std::max(2.0, 5 * r.zero_sigma_mA());
  const bool runs_back = f.high_mA < 1 && std::min(f.low_mA, f.early_mA) < -least;
  const bool charges_back = f.t_on_s && f.switch_on_uC.value < -(3 + 5 * f.switch_on_uC.sigma) && f.high_mA < least;
  if (!runs_back && !charges_back) return false;
  verdicts.cure(
      "no new recording: change the sign of every current in the file, then diagnose it again; turn the probe "
      "before the next recording");
  verdicts.doubt(
      runs_back
          ? fmt::format("{:.1f} mA flow back into the supply: the current probe is the wrong way round; change the sign of current_mA",
                        std::min(f.low_mA, f.early_mA))
          : fmt::format("{:.0f} uC flow back into the supply at switch-on: the current probe is the wrong way round; change the sign of "
                        "current_mA",
                        f.switch_on_uC.value));
  return true;
}

// A rail that stands at 0 V has a short on it, and a short takes all that the limiter gives, the same all the time.
bool dead_voltage(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  constexpr double kNothing_V = 0.02, kFlows_mA = 2;
  if (std::abs(f.top_V) > kNothing_V || std::abs(f.end_V) > kNothing_V) return false;
  std::vector<double> flowing;
  for (const Bin& b : f.bins)
    if (b.samples > 0 && b.mean_mA > std::max(1.0, 5 * f.noise_mA)) flowing.push_back(b.mean_mA);
  std::sort(flowing.begin(), flowing.end());
  // A limiter that opens, or tries again, leaves few bins with current, some of them in part.
  constexpr std::size_t kFew = 20;
  const bool few = flowing.size() < kFew;
  const double middle = few ? f.highest_mA : flowing[flowing.size() / 2], high = few ? f.highest_mA : flowing[flowing.size() * 19 / 20];
  if (f.highest_mA < kFlows_mA || flowing.empty()) return false;
  const bool below_limit = r.limit_mA && high < 0.7 * *r.limit_mA;
  if (!below_limit && (r.limit_mA || high - middle < 2 + 0.15 * high)) return false;
  const std::string why = below_limit ? fmt::format("at most {:.0f} of the {:.0f} mA that the limiter gives", high, *r.limit_mA)
                                      : fmt::format("{:.0f} to {:.0f} mA", middle, high);
  verdicts.cure(
      "look at the voltage lead and its channel with the power off; then record again, from before the switch-on");
  verdicts.doubt(fmt::format(
      "the voltage stays at {:.2f} V while {} flow; a short would take all the limiter gives, all the time: the voltage was not "
      "recorded, look at its lead",
      f.top_V, why));
  return true;
}

bool too_high(const Reading& r, Verdicts& verdicts) {
  const double nominal = nominal_volts(*r.rail);
  if (r.trace.top_V < 1.15 * nominal) return false;
  verdicts.doubt(fmt::format(
      "{:.2f} V stand on {}, a rail of {:.1f} V: another rail than header or --rail say, or a supply set too high, which can kill "
      "what hangs on it; look before the next power-up",
      r.trace.top_V, name_of(*r.rail), nominal));
  return true;
}

// Numbers that no line gives a unit may be ampere: those of a healthy board then look like an open path.
// Milliampere is proven by what no supply of a stick gives in ampere for a millisecond, and by noise that hides
// any stick in ampere.
bool unit_unknown(const Reading& r, Verdicts& verdicts) {
  if (r.header.unit_stated) return false;
  const Features& f = r.trace;
  constexpr double kMost_A = 5, kNoise_A = 0.05;
  double most = 0;
  for (const Bin& b : f.bins) most = std::max(most, std::abs(static_cast<double>(b.mean_mA)));
  if (most > (r.limit_mA ? std::min(kMost_A, 2e-3 * *r.limit_mA) : kMost_A) || f.noise_mA > kNoise_A) return false;
  verdicts.doubt(
      fmt::format("no line of the file says what its currents are: {:.4g} at the most may be mA, which is hardly "
                  "anything, or A, which is "
                  "a board at work; until that is known nothing follows",
                  f.highest_mA));
  verdicts.cure(
      "no new recording: put a line above the first sample that names the columns: time_s,current_mA,vbus_V where "
      "the numbers are "
      "milliampere, time_s,current_A,vbus_V where they are ampere; then diagnose the file again");
  return true;
}

// The other way round: so much, or so noisy, that only another unit explains it.
bool too_much_current(const Reading& r, Verdicts& verdicts) {
  constexpr double kMost_mA = 5000;  // the most that any USB port gives (from memory)
  constexpr double kNoise_mA = 20;   // hides every stage of a stick
  const double most = std::max(r.trace.high_mA, r.trace.early_mA);
  if (most < kMost_mA && r.trace.noise_mA < kNoise_mA) return false;
  verdicts.doubt(
      most < kMost_mA
          ? fmt::format("the noise of {:.0f} mA hides all that a stick draws: the numbers look like microampere",
                        r.trace.noise_mA)
          : fmt::format(
                "{:.0f} mA flow for milliseconds, more than any USB port gives: the numbers look like microampere",
                most));
  verdicts.cure(
      "no new recording: where the numbers are microampere, put the line time_s,current_uA,vbus_V above the first "
      "sample, or name the "
      "column so; then diagnose the file again");
  return true;
}

}  // namespace

bool recording_is_wrong(const Reading& r, Verdicts& verdicts) {
  if (!unit_unknown(r, verdicts) && !too_much_current(r, verdicts) && !reversed_current(r, verdicts) &&
      !dead_voltage(r, verdicts) && !too_high(r, verdicts))
    return false;
  verdicts.claim(Fault::unsure, 1, {});
  return true;
}

// A converter shows noise, or at least the inrush. Where the check before power was made, it has seen the supply, too.
void doubt_constant_current(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  if (r.cold || f.noise_mA > 0 || f.bins.size() < 10) return;
  const float value = f.bins.front().low_mA;
  const bool same =
      std::all_of(f.bins.begin(), f.bins.end(), [&](const Bin& b) { return b.samples == 0 || (b.low_mA == value && b.high_mA == value); });
  if (!same) return;
  constexpr double kMost = 0.6;
  verdicts.cap(
      kMost,
      fmt::format(
          "every sample of the current is the same, {:.2f} mA from zero: a channel that was not connected looks so, too; no confidence "
          "above {:.0f} %",
          value, 100 * kMost));
}

// The file says milliampere, and its noise says another unit.
void doubt_milliampere(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  const double highest = r.switch_on().highest_mA;
  constexpr double kMost = 0.6;
  if (f.high_mA >= 1 || f.noise_mA <= 0 || highest >= 1 || highest < 100 * f.noise_mA) return;
  verdicts.cap(
      kMost,
      fmt::format(
          "no sample reaches 1 mA, yet the noise is {:.4f} mA: if this file is in ampere, all currents are 1000 "
          "times what is said here (name the column current_A then); no confidence above {:.0f} %",
          f.noise_mA, 100 * kMost));
}

const Features* same_power_up(const Features& trace, const Features* burst, Verdicts& verdicts) {
  if (!burst || !burst->t_on_s || !trace.t_on_s) return burst;
  const double volts = std::max({trace.early_V, burst->early_V, 0.5}),
               uC = std::max({trace.switch_on_uC.value, burst->switch_on_uC.value, 5.0});
  const bool voltage = std::abs(trace.early_V - burst->early_V) > 0.15 * volts;
  const bool charge = trace.ramp_resolved && burst->ramp_resolved && !trace.switch_on_uC.at_least && !burst->switch_on_uC.at_least &&
                      std::abs(trace.switch_on_uC.value - burst->switch_on_uC.value) > 0.3 * uC;
  if (!voltage && !charge) return burst;
  verdicts.note(fmt::format(
      "the burst does not show the same switch-on and was left out: {:.2f} V and {:.0f} uC in it, {:.2f} V and {:.0f} uC in the trace",
      burst->early_V, burst->switch_on_uC.value, trace.early_V, trace.switch_on_uC.value));
  return nullptr;
}

}  // namespace steadycell::supply
