#include <fmt/format.h>

#include "supply/judge.h"

// The USB port. Every question is about physics that holds for any stick: where the voltage stands, which charge
// flows at switch-on, whether current flows before a controller could ask for it, whether it steps, bursts,
// repeats or stops.
namespace steadycell::supply {
namespace {

constexpr double kPortUp = 4.4;  // lowest voltage of a low-power port, USB 2.0 7.2.2
constexpr double kSlowest_s = 5e-3;  // 20 mA for as long are 100 uC, as much as an input capacitor of 20 uF

std::string times(std::size_t n) {
  return n == 1 ? "once" : n == 2 ? "twice" : fmt::format("{} times", n);
}

// The ohms at 0.2 V saw the 5 V side alone. A resistor they saw is there; one they did not see lies behind the regulator, which conducts
// from a volt or two on, or is a part that conducts at higher voltage only.
void judge_held(const Reading& r, double held, double ohm, std::vector<std::string> evidence, Verdicts& verdicts) {
  const double resistor = *resistor_at_5V(r, ohm);
  evidence.push_back(before_power(r.cold->findings.front()));
  evidence.emplace_back(resistor > 0.5
                            ? "both readings agree: a resistor on the 5 V side"
                            : "at 0.2 V the 5 V side does not conduct: it lies behind the regulator, or is a part that needs more voltage");
  const double on_port = std::max(resistor, ohm < r.at.hard_short_ohm ? 0.35 : 0.15);
  verdicts.claim(Fault::vbus_short, held * on_port, evidence);
  verdicts.claim(Fault::rail_short, 0.95 * held * (1 - on_port) / std::max(0.02, 1 - held * on_port), std::move(evidence));
}

// Something of `ohm` holds the port down, on the 5 V side or behind the regulator, and no check before power tells which.
void claim_by_ohm(const Reading& r, double held, double charging, double ohm, std::vector<std::string> evidence,
                Verdicts& verdicts) {
  const double hard = 1 - exceeds_by_factor(ohm, r.at.hard_short_ohm, 0.3);
  verdicts.claim(Fault::vbus_short, held * hard * (1 - 0.7 * charging), evidence);
  if (held * (1 - hard) <= 0.05) return;
  verdicts.doubt(
      fmt::format("{:.0f} ohm hold the port down: a soft short at 5 V, a short behind the regulator, or a limit "
                  "too low for this board",
                  ohm));
  if (charging < 0.5) verdicts.cure(ohms_before_power_again());
  verdicts.claim(Fault::rail_short, held * (1 - hard) * 0.45, evidence);
  verdicts.claim(Fault::vbus_short, held * (1 - hard) * 0.5, std::move(evidence));
}

// 0. The port stood, and then much current holds it down: whatever it did before, it is no sound board now.
bool judge_overload(const Reading& r, Verdicts& verdicts) {
  if (!r.trace.overload) return false;
  const Overload& o = *r.trace.overload;
  if (o.opened) {
    judge_leak(r, verdicts);
    judge_collapse(r, verdicts);
  }
  // What the check before power saw is no witness: the short came later.
  claim_by_ohm(r, 0.97, 0, o.ohm(), overload_evidence(r, o), verdicts);
  verdicts.claim(Fault::unsure, 1, {});
  return true;
}

// 1. The port never came up.
void judge_not_up(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  const double up = exceeds(f.top_V, kPortUp, 0.05);
  const double held = (1 - up) * exceeds(f.early_mA, 5, 1 + r.zero_sigma_mA());
  const double ohm = f.early_mA > 0.5 ? f.early_V / f.early_mA * 1e3 : 1e6;
  std::vector<std::string> evidence{
      fmt::format("the port never rose above {:.2f} V while {:.0f} mA flowed: {:.2f} ohm with lead and contacts",
                  f.top_V, f.early_mA, ohm)};
  if (r.limit_mA)
    evidence.push_back(
        fmt::format("{:.0f} % of the limit of {:.0f} mA", 100 * f.early_mA / *r.limit_mA, *r.limit_mA));
  if (r.shape().resolved)
    evidence.push_back(fmt::format("voltage at 10 % over voltage at 85 % of the current: {:.2f} ({})",
                                   r.shape().ratio(),
                                   r.shape().ratio() < 0.25  ? "a resistor"
                                   : r.shape().ratio() > 0.6 ? "a junction: a clamp, or reversed polarity"
                                                             : "neither resistor nor plain junction"));
  // A capacitor still charging rises; a short does not.
  const double charging = exceeds(f.early_slope_V_per_s, 3, 1);
  if (charging > 0.5) {
    verdicts.doubt(fmt::format(
        "the voltage still climbs at {:.0f} V/s: a large capacitor on a low limit, or a limit set too low",
        f.early_slope_V_per_s));
    verdicts.claim(Fault::inrush_large, held * charging * 0.4, {evidence[0]});
  }
  if (r.cold)
    judge_held(r, held * (1 - 0.7 * charging), ohm, std::move(evidence), verdicts);
  else
    claim_by_ohm(r, held, charging, ohm, std::move(evidence), verdicts);
  if (up < 0.5 && held < 0.5)
    verdicts.doubt(
        fmt::format("the port stays at {:.2f} V although next to nothing flows: check the fixture", f.top_V));
  verdicts.claim(Fault::unsure, (1 - up) * (1 - held), {});
}

// 2. It stands, and nothing flows.
void judge_nothing(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  const Features& on = r.switch_on();
  double level = f.end_mA;
  for (const Plateau& p : f.plateaus) level = std::max(level, p.mA);
  const double sigma = std::hypot(0.12, r.zero_sigma_mA());
  const double bursts = f.active_ms > 3 ? 0.1 : 1;
  const double nothing = (1 - exceeds(level, r.at.nothing_mA, sigma)) * bursts;
  if (nothing < 0.02) return;
  const std::string draws = fmt::format("{:.2f} mA at the most with the port at {:.2f} V", level, f.top_V);
  const bool was_open = r.cold && r.cold->verdict == ColdVerdict::open_path, was_closed = r.cold && !was_open;
  // A gap in the switch-on hides charge: what is left proves no open path and no dead regulator.
  const bool shown = f.t_on_s && !on.switch_on_uC.at_least;
  if (!shown && was_open) {
    verdicts.claim(Fault::open_path, 0.95 * nothing, {draws, before_power(r.cold->findings.front())});
    return;
  }
  if (!shown) {
    verdicts.doubt(fmt::format("{}; the trace does not show the {}switch-on, whose charge would tell an open path from a dead regulator",
                               draws, f.t_on_s ? "whole " : ""));
    verdicts.claim(Fault::unsure, nothing, {});
    return;
  }
  const double charge = on.switch_on_uC.value;
  const double closed = exceeds_by_factor(std::max(charge, 0.01), r.at.fixture_uC,
                                          std::hypot(0.35, on.switch_on_uC.sigma / r.at.fixture_uC));
  const double behind = exceeds(on.behind_uC.value, r.at.output_uC, std::hypot(0.3, on.behind_uC.sigma));
  std::vector<std::string> open{draws, fmt::format("only {:.1f} uC flowed at switch-on: no input capacitor was reached", charge)};
  if (r.cold) open.push_back(before_power(r.cold->findings.front()));
  // Something hung on the supply at 0.2 V and nothing does at 5 V: a path that opened meanwhile.
  if (was_closed) {
    open.emplace_back("then the path was closed, at power it is open: a contact that moves, or a fuse that blew");
    verdicts.claim(Fault::intermittent, 0.5 * nothing * (1 - closed), open);
  }
  verdicts.claim(Fault::open_path, nothing * (1 - closed) / std::max(0.02, verdicts.rest()), std::move(open));
  verdicts.claim(
      Fault::ldo_dead, nothing * (1 - behind) / std::max(0.02, verdicts.rest()),
      {draws, fmt::format("input capacitor {:.1f} uF is reached ({:.0f} uC)", on.input_uF.value, charge),
       fmt::format("charge behind it {:.1f} uC: nothing charged the regulator's output", on.behind_uC.value)});
  verdicts.claim(Fault::dead_clock, nothing * behind / std::max(0.02, verdicts.rest()),
                 {draws, fmt::format("the regulator's output was charged ({:.1f} uC), then nothing drew on it",
                                     on.behind_uC.value)});
}

// Where the switch-on is not in the trace, nothing tells a load from a controller at work, unless nothing in it moves: a current that never
// falls below what a controller in reset draws is then no soundness.
void judge_lifted_throughout(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  const double limit = r.twin ? std::max(0.0, r.twin->low_mA) + 20 : r.at.reset_mA;
  const double lifted = exceeds_by_factor(std::max(f.low_mA, 0.01), limit, 0.2);
  if (lifted < 0.02) return;
  const bool runs = f.high_mA - f.low_mA > 2 + 0.03 * f.low_mA || f.active_ms > 3;
  verdicts.claim(Fault::rail_short, lifted * (runs ? 0.5 : 0.9),
                 {fmt::format("the current never falls below {:.0f} mA; a controller in reset draws 2 to 10", f.low_mA),
                  runs ? "steps ride on it: a controller at work beside a load, or one that draws much"
                       : "nothing moves in it: a load, no controller"});
  verdicts.doubt(fmt::format(
      "the switch-on is not in the trace: {:.0f} mA may be a load or a controller at work, which the level before its clock starts "
      "would tell",
      f.low_mA));
  verdicts.claim(Fault::unsure, lifted * 0.8, {});
}

// 3. Current flows before any controller could ask for it.
void judge_lifted(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  if (!f.t_on_s) return judge_lifted_throughout(r, verdicts);
  if (f.first_level_mA.value < 5) return;
  const double level = f.first_level_mA.value;
  const double limit = r.twin && r.twin->t_on_s ? std::max(0.0, r.twin->first_level_mA.value) + 20 : r.at.reset_mA;
  const double lifted = exceeds_by_factor(level, limit, 0.2);
  std::vector<std::string> evidence{
      fmt::format("{:.0f} mA flow right behind switch-on and never less; a controller in reset draws 2 to 10",
                  level),
      fmt::format("the port stands at {:.2f} V", f.top_V)};
  if (r.twin) evidence.push_back(fmt::format("the twin draws {:.1f} mA there", r.twin->first_level_mA.value));
  const Features& on = r.switch_on();
  const double conductance = level / std::max(0.1, f.top_V);
  // At 5 V a resistor follows the ramp to its end and stops there, beside a capacitor whose current falls away at
  // the end; behind a regulator the current stops following once the output is full, goes on rising behind the
  // ramp with the regulator's soft start, or folds back.
  const double capacitor = on.ramp_s > 0 ? on.input_uF.value * on.top_V / on.ramp_s * 1e-3 : 0;
  const bool follows = on.ramp_resolved && std::abs(on.ramp_mA_per_V / conductance - 1) < 0.1 &&
                       on.behind_ramp_mA > 0.98 * level && capacitor > 3 && on.ramp_mA_at_0V > 0.6 * capacitor;
  // A load at 5 V leaves the regulator and so the controller alone; without steps it more likely sits behind.
  const bool runs = f.high_mA - f.low_mA > 2 + 0.03 * level;
  const bool cuts_out = f.drop_count > 0;         // nothing at 5 V could stop and come back by itself
  const bool fine = on.ramp_s > 8 * on.sample_s;  // few samples on the ramp prove little
  double on_port = cuts_out ? 0.03 : follows && runs && fine ? 0.75 : follows ? 0.25 : 0.05;
  const auto resistor = resistor_at_5V(r, 1 / conductance * 1e3);
  if (resistor) on_port = *resistor;  // measured there, instead of inferred
  if (resistor) {
    evidence.push_back(before_power(r.cold->findings.front()));
    evidence.push_back(*resistor > 0.5
                           ? fmt::format("at {:.2f} V that takes {:.0f} mA: a resistor on the 5 V side, for at 0.2 V nothing behind "
                                         "a regulator conducts",
                                         f.top_V, f.top_V / r.cold->ohm * 1e3)
                           : std::string("at 0.2 V nothing on the 5 V side conducts like that: it lies behind the regulator"));
  } else if (on.ramp_resolved) {
    evidence.push_back(fmt::format("just behind the ramp {:.0f} mA flow: {}", on.behind_ramp_mA,
                                   follows ? "it follows the port voltage like a resistor at 5 V"
                                           : "it does not follow the port voltage: it lies behind a regulator"));
  }
  evidence.push_back(
      fmt::format("as a resistor {:.0f} ohm at 5 V or {:.0f} ohm at 3.3 V (less if the regulator limits)",
                  1 / conductance * 1e3, 3.3 / level * 1e3));
  if (cuts_out)
    evidence.push_back(fmt::format("it stops {} and comes back as high: a regulator that shuts down when hot", times(f.drop_count)));
  if (!runs) evidence.emplace_back("no step rides on it: the controller does not run");
  verdicts.claim(Fault::rail_short, lifted * (1 - on_port), evidence);
  verdicts.claim(Fault::vbus_short, lifted * on_port / std::max(0.02, 1 - lifted * (1 - on_port)),
                 std::move(evidence));
}

// Heavy current that came later: a part that breaks down as it warms, or a latch-up. A stick that no host has configured may draw 100 mA,
// one that was configured up to 500, but hardly as its least (USB 2.0, 7.2.1, from memory; the 150 and 300 are common practice, no source).
void judge_late_load(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  constexpr double kUnconfigured_mA = 100, kMuch_mA = 150, kConfigured_mA = 300, kSpread = 0.08;
  const double usual = r.twin ? 1.3 * r.twin->sustained_mA : 0;
  const double level = std::max(f.sustained_mA, 0.01), since_s = f.sustained_from_s + f.t_on_s.value_or(0);
  const double beyond = exceeds_by_factor(level, std::max(f.chirp_s ? kMuch_mA : kUnconfigured_mA, usual), kSpread);
  if (beyond < 0.02) return;
  const double heavy = f.chirp_s ? exceeds_by_factor(level, std::max(kConfigured_mA, usual), kSpread) : 0.9 * beyond;
  verdicts.claim(Fault::rail_short, heavy,
                 {fmt::format("from {:.3f} s on never less than {:.0f} mA for 50 ms and longer; work comes in bursts, a load does not",
                              since_s, level),
                  "it came after the start: a part that breaks down as it warms, or a latch-up"});
  verdicts.doubt(fmt::format("never less than {:.0f} mA from {:.3f} s on: a load that came later, or a stick that draws much once a host "
                             "has configured it; a twin would tell",
                             level, since_s));
  verdicts.claim(Fault::unsure, 0.8 * beyond, {});
}

// More current that came after loading and stays, within what USB allows: no fault follows from it, nor the surest
// soundness. USB 2.0, 7.2.1 (from memory): 100 mA before a host configures the stick, then what its bMaxPower
// declares. The rest is common practice, no source.
void doubt_late_rise(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  constexpr double kRise_mA = 20, kAlike_mA = 10, kEnumerates_s = 0.3, kAlone = 0.7, kWithHost = 0.8;
  if (f.late_rise_mA < kRise_mA) return;
  if (r.twin && r.twin->late_rise_mA > f.late_rise_mA - kAlike_mA) return;
  if (f.chirp_s && f.late_rise_s > *f.chirp_s - 0.01 && f.late_rise_s < *f.chirp_s + kEnumerates_s)
    return;  // high speed, configured
  const double most = f.chirp_s ? kWithHost : kAlone;
  verdicts.cap_absence(
      most,
      fmt::format("from {:.3f} s on {:.0f} mA more flow than were held at any time before, and they stay; {}, so "
                  "no fault is proven: a "
                  "lamp, a second stage, or a part that begins to leak as it warms; a twin, or the current after "
                  "ten minutes, would "
                  "tell; soundness gets {:.0f} % at most",
                  f.late_rise_s + f.t_on_s.value_or(0), f.late_rise_mA,
                  f.chirp_s ? "a host was there, and once it has configured a stick that may draw what its "
                              "bMaxPower declares, 500 mA "
                              "at the most"
                            : "no host was seen, and before one configures it a stick may draw 100 mA (USB 2.0)",
                  100 * most));
}

// Nothing hung on the port when it came up, and later something does: a contact that closed late, or a load switch.
void judge_late_contact(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  const Features& on = r.switch_on();
  if (!f.t_on_s || on.switch_on_uC.at_least) return;
  const double closed = exceeds_by_factor(std::max(on.switch_on_uC.value, 0.01), r.at.fixture_uC, 0.35);
  const double flows = exceeds(std::max(f.end_mA, f.high_mA), 2, std::hypot(0.3, r.zero_sigma_mA()));
  verdicts.claim(Fault::intermittent, 0.95 * (1 - closed) * flows,
                 {fmt::format("only {:.1f} uC flowed at switch-on: nothing hung on the port then", on.switch_on_uC.value),
                  fmt::format("later up to {:.1f} mA flow: a contact closed meanwhile, or a load switch that takes its time", f.high_mA)});
}

// 4. It stops and comes back with the port standing: a contact.
void judge_drops(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  std::size_t contact = 0;
  double longest = 0, shortest = 1e9, spike = 0;
  for (const Drop& d : f.drops) {
    // Through an open contact nothing flows at all; a sleeping stick keeps its regulator and pull-up, 0.2 mA and
    // more.
    const double n = std::max(1.0, d.length_s / f.sample_s);
    if (d.mean_mA > 0.12 + 3 * std::hypot(f.noise_mA / std::sqrt(n), f.baseline_mA.sigma)) continue;
    ++contact;
    longest = std::max(longest, d.length_s);
    shortest = std::min(shortest, d.length_s);
    spike = std::max(spike, d.peak_after_mA);
  }
  if (contact == 0) return judge_late_contact(r, verdicts);
  const double observed = std::max(0.05, f.duration_s);
  // Hundreds a second, each below a millisecond: a converter that skips pulses, not a contact.
  const bool converter = longest < 1e-3 && static_cast<double>(f.drop_count) / observed > 40;
  const double p = converter ? 0.1 : contact >= 2 ? 0.97 : 0.85;
  const double share = static_cast<double>(contact) / static_cast<double>(f.drops.size());
  verdicts.claim(Fault::intermittent, p * std::min(1.0, 0.3 + share),
                 {fmt::format("{} the current vanished with the port standing, for {}", times(contact),
                              contact == 1 ? fmt::format("{:.1f} ms", longest * 1e3)
                                           : fmt::format("{:.1f} to {:.1f} ms", shortest * 1e3, longest * 1e3)),
                  fmt::format("up to {:.0f} mA when it came back, as capacitors recharge", spike),
                  fmt::format("the controller starts over {}", f.restarts_s.empty() ? "never" : times(f.restarts_s.size()))});
}

// 5. The power-up sequence comes again and again.
void judge_loop(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  const std::size_t n = f.restarts_s.size();
  if (n == 0) {
    if (f.period_s && f.correlation > 0.6 && f.period_s->value > 0.04)
      verdicts.note(
          fmt::format("something repeats every {:.0f} ms (correlation {:.2f}) without falling back to reset: a "
                      "lamp, polling, or the host's retries, no boot loop",
                      f.period_s->value * 1e3, f.correlation));
    return;
  }
  const double spread = f.period_s && n >= 2 ? f.period_s->sigma / f.period_s->value : 1;
  // Once may be by design: a loader that starts its firmware with a reset.
  const double p = n >= 3 ? 0.97 : n == 2 ? (spread < 0.2 ? 0.93 : 0.8) : 0.3;
  std::vector<std::string> evidence{
      fmt::format("{} the current falls back to the level of reset ({:.1f} mA) and climbs the same steps again", times(n), f.reset_mA)};
  if (n >= 2 && f.period_s)
    evidence.push_back(
        fmt::format("every {:.0f} ms (+-{:.0f})", f.period_s->value * 1e3, f.period_s->sigma * 1e3));
  if (n == 1)
    verdicts.doubt("the controller restarted once: by design, or a loop longer than the trace; one more power-up by supply record tells, "
                   "which ends at a loop's second period");
  verdicts.claim(Fault::boot_loop, p, std::move(evidence));
}

// 6. It draws, and nothing ever changes.
void judge_flat(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  const double level = f.steady_mA.value;
  const double spread = f.high_mA - f.low_mA;
  const double noise = r.bin_noise_mA();
  const double flat = 1 - exceeds(spread, 1.0 + 0.12 * level + 5 * noise, 0.2 + 0.03 * level + noise);
  const double stepped =
      f.t_on_s ? exceeds(level - f.reset_mA, 1.2 + 0.2 * std::max(0.0, f.reset_mA), 0.3 + noise) : 0;
  const double quiet = f.active_ms <= 3 ? 1 : 0.1;
  const double drawing = exceeds(level, r.at.nothing_mA, std::hypot(0.12, r.zero_sigma_mA()));
  const double seen = f.duration_s > 0.25 ? 1 : 0.5;
  const double p = flat * (1 - stepped) * quiet * drawing * seen;
  if (p < 0.02) return;
  if (!f.t_on_s) {
    constexpr double kIdleAlone = 0.3;  // common practice, no source
    verdicts.doubt(
        fmt::format("{:.1f} mA that never change, in a trace that begins after the switch-on: a controller that "
                    "has booted and idles draws that, and "
                    "so does one that never started",
                    level));
    verdicts.claim(
        Fault::dead_clock, kIdleAlone * p,
        {fmt::format("{:.1f} mA, within {:.1f} mA all the time: no step, no burst, no chirp", level, spread)});
    verdicts.claim(Fault::unsure, p, {});
    return;
  }
  // A regulator that folds back gives a short behind it a flat current, too, and no more than a busy controller
  // draws. Weights are common practice, no source.
  constexpr double kMostReset_mA = 10, kSpread = 0.2;
  const double most_reset =
      r.twin && r.twin->t_on_s ? std::max(kMostReset_mA, 1.3 * r.twin->first_level_mA.value) : kMostReset_mA;
  const double beyond = exceeds_by_factor(std::max(level, 0.01), most_reset, kSpread),
               far_beyond = exceeds_by_factor(std::max(level, 0.01), 2 * most_reset, kSpread);
  const double load = p * (0.45 * beyond + 0.3 * far_beyond);
  verdicts.claim(
      Fault::rail_short, load,
      {fmt::format(
           "{:.1f} mA from the first moment on, and nothing moves in it; a controller in reset draws 2 to 10",
           level),
       "a regulator that folds back on a short behind it gives such a current, too"});
  verdicts.claim(
      Fault::dead_clock, (p - load) / (1 - load),
      {fmt::format(
           "{:.1f} mA from the first moment on, within {:.1f} mA all the time: no step, no burst, no chirp", level,
           spread),
       fmt::format("input capacitor {:.1f} uF and the regulator's output ({:.1f} uC behind it) were charged",
                   r.switch_on().input_uF.value, r.switch_on().behind_uC.value)});
}

// 7. More capacitance than a stick may have.
void judge_inrush(const Reading& r, Verdicts& verdicts) {
  const Features& on = r.switch_on();
  if (!on.t_on_s) return;
  if (on.sample_s > kSlowest_s) {  // one sample holds more of what runs than of what charges
    verdicts.note(
        fmt::format("one sample every {:.0f} ms: the charge at switch-on cannot be told from what flows behind it", on.sample_s * 1e3));
    return;
  }
  double limit = r.at.largest_input_uF;
  if (r.twin && r.twin->t_on_s && r.twin->equivalent_uF > 1) limit = std::max(2 * r.twin->equivalent_uF, 15.0);
  std::vector<std::string> evidence{
      fmt::format("{:.0f} uC at switch-on, as much as {:.0f} uF take; USB allows 10 uF", on.switch_on_uC.value,
                  on.equivalent_uF)};
  if (r.twin) evidence.push_back(fmt::format("the twin takes as much as {:.0f} uF", r.twin->equivalent_uF));
  if (on.region_uC > 0)
    evidence.push_back(fmt::format(
        "largest stretch above 100 mA: {:.0f} uC, of it {:.0f} uC above the 100 mA (not a compliance result)",
        on.region_uC, on.region_excess_uC));
  verdicts.claim(Fault::inrush_large, exceeds_by_factor(on.equivalent_uF, limit, 0.1), std::move(evidence));
}

// How likely the noise hides page reads: they show as the spread inside a millisecond, some 3 mA and more for parts that draw 8 to 30 mA
// for a third of the time (common practice, no source), where it passes 3 times the noise.
double hidden_by_noise(const Features& f) { return exceeds(3 * f.noise_mA + 0.3, 3, 0.6); }

bool shows_reads(const Features& f) { return f.sample_s * 3 <= f.bin_s && f.duration_s > 0.25; }

void judge_unseen_memory(const Reading& r, Verdicts& verdicts) {
  if (shows_reads(r.trace)) return;
  verdicts.doubt("sampled too slowly, or too short, to see whether the memory is read");
  verdicts.claim(Fault::unsure, 0.6, {});
}

// 8. The controller runs and does not read its memory.
void judge_memory(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  if (!shows_reads(f)) return;
  double none = 1 - exceeds(f.dense_ms, r.at.dense_ms, 5);
  if (const double hidden = hidden_by_noise(f); hidden > 0.02) {
    verdicts.doubt(fmt::format("the noise of {:.1f} mA hides page reads: nothing tells whether the memory is read", f.noise_mA));
    verdicts.claim(Fault::unsure, none * hidden, {});
    none *= (1 - hidden) / std::max(0.02, 1 - none * hidden);
  }
  std::vector<std::string> evidence{
      fmt::format("the controller starts ({:.1f} mA), but in the {:.1f} s {} only {:.0f} ms hold bursts one after "
                  "another; loading firmware takes {:.0f} ms and more",
                  f.steady_mA.value, f.bursts_seen_s, f.chirp_s ? "before it meets a host" : "of the trace",
                  f.dense_ms, r.at.dense_ms)};
  double request_only =
      0.85;  // too few to tell: a memory without supply or CE# is not even asked in a way that shows
  if (f.blips >= 3) {
    request_only = 1 - exceeds_by_factor(f.blip_peak_mA, r.at.page_read_mA, 0.15);
    evidence.push_back(fmt::format(
        "{} single blips of about {:.1f} mA: {}", f.blips, f.blip_peak_mA,
        request_only > 0.5 ? "requests on the bus without an answer worth reading" : "as high as page reads"));
  }
  evidence.emplace_back(f.chirp_s
                            ? fmt::format("it still attaches to USB (chirp at {:.2f} s): from its ROM", *f.chirp_s)
                            : "it does not attach to a high-speed host");
  if (f.dense_ms > 0.4 * r.at.dense_ms) {  // a silent memory is asked now and then, never one request after another
    request_only *= 0.25;
    verdicts.doubt(fmt::format("{:.0f} ms of page reads one after another: the memory answers, but less is loaded than firmware usually is",
                               f.dense_ms));
  }
  if (f.blips >= 3 && none * (1 - request_only) > 0.05)
    verdicts.doubt(
        fmt::format("the memory answers ({} blips of {:.0f} mA, page reads) but too little is loaded: blank, "
                    "foreign or damaged firmware in it",
                    f.blips, f.blip_peak_mA));
  verdicts.claim(Fault::nand_no_answer, none * request_only, std::move(evidence));
  verdicts.claim(Fault::unsure, none * (1 - request_only) / std::max(0.02, 1 - none * request_only), {});
}

// 9. It runs, on too little capacitance. At 0.2 V the regulator does not conduct, so the check before power charges the input
// capacitor alone; its estimate counts half where the trace has a ramp of its own, else all.
void judge_missing(const Reading& r, Verdicts& verdicts) {
  const Features& on = r.switch_on();
  const bool cold = r.cold && r.cold->microfarads && r.cold->verdict != ColdVerdict::open_path;
  const bool shown = on.t_on_s && !on.switch_on_uC.at_least && !on.input_uF.at_least;
  if (!shown && !cold) {
    verdicts.note(on.t_on_s ? "samples are missing or cut off at switch-on: the input capacitance is not known"
                            : "the switch-on is not in the trace: input capacitance unknown");
    return;
  }
  double limit = r.at.smallest_input_uF;
  if (r.twin && r.twin->t_on_s && r.twin->input_uF.value > 0.5) limit = 0.4 * r.twin->input_uF.value;
  std::vector<std::string> evidence;
  double c = std::max(on.input_uF.value, 0.02), spread = std::hypot(0.2, on.input_uF.sigma / limit);
  if (shown)
    evidence.push_back(fmt::format("input capacitance {:.2f} uF (+-{:.2f}); USB wants 1 to 10 uF, sticks carry 4.7 to 10",
                                   on.input_uF.value, on.input_uF.sigma));
  if (cold) {
    const double before = std::max(*r.cold->microfarads, 0.02);
    const bool alone = !shown || !on.ramp_resolved;
    c = alone ? before : std::sqrt(c * before);
    if (alone) spread = 0.2;
    evidence.push_back(fmt::format("before power the supply charged like {}{:.1f} uF, the input capacitor alone",
                                   r.cold->microfarads_at_most ? "less than " : "", before));
  }
  if (r.twin) evidence.push_back(fmt::format("the twin has {:.1f} uF", r.twin->input_uF.value));
  evidence.emplace_back("the rest looks healthy: after switch-on a missing capacitor hardly shows");
  verdicts.claim(Fault::missing_bulk, 1 - exceeds_by_factor(c, limit, spread), std::move(evidence));
}

void judge_healthy(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  const double loads = exceeds(f.dense_ms, r.at.dense_ms, 5);
  std::vector<std::string> evidence{
      fmt::format("reset {:.1f} mA, then steps up to {:.1f} mA; {:.0f} ms of page reads one after another",
                  f.reset_mA, f.high_mA, f.dense_ms)};
  if (f.t_on_s)
    evidence.push_back(fmt::format("input capacitance {:.1f} uF, {:.0f} uC at switch-on",
                                   r.switch_on().input_uF.value, r.switch_on().switch_on_uC.value));
  const bool clamps = r.cold && r.cold->data[0].state == DataLine::sound && r.cold->data[1].state == DataLine::sound;
  evidence.emplace_back(
      f.chirp_s ? fmt::format("it answers a host (chirp at {:.2f} s)", *f.chirp_s)
      : clamps
          ? "no USB reset and chirp: power-only fixture, no host, or a full-speed stick; before power both data lines ended in clamps as a "
            "controller has them"
          : "no USB reset and chirp: power-only fixture, no host, a full-speed stick, or dead data lines");
  verdicts.claim(Fault::healthy, loads, std::move(evidence));
}

}  // namespace

void judge_port(const Reading& r, Verdicts& verdicts) {
  if (judge_overload(r, verdicts)) return;
  judge_not_up(r, verdicts);
  if (exceeds(r.trace.top_V, kPortUp, 0.05) < 0.02) return;
  judge_leak(r, verdicts);
  judge_collapse(r, verdicts);
  judge_open_before(r, verdicts);
  judge_nothing(r, verdicts);
  judge_lifted(r, verdicts);
  judge_leak_gone(r, verdicts);
  judge_late_load(r, verdicts);
  doubt_late_rise(r, verdicts);
  judge_drops(r, verdicts);
  judge_loop(r, verdicts);
  judge_flat(r, verdicts);
  judge_inrush(r, verdicts);
  judge_memory(r, verdicts);
  judge_data_lines(r, verdicts);
  judge_unseen_memory(r, verdicts);
  judge_missing(r, verdicts);
  judge_healthy(r, verdicts);
}

}  // namespace steadycell::supply
