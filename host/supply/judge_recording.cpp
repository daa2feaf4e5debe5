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

}  // namespace

bool recording_is_wrong(const Reading& r, Verdicts& verdicts) {
  if (!reversed_current(r, verdicts) && !dead_voltage(r, verdicts) && !too_high(r, verdicts)) return false;
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
