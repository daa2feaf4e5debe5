#include <fmt/format.h>

#include "supply/judge.h"

// The chip socket: one rail, one memory chip or none. Its inputs are held still unless commands are sent.
namespace steadycell::supply {
namespace {

constexpr double kJunction = 0.5;  // V: no silicon junction conducts tens of mA below this
constexpr double kLeak = 1;    // mA static: leakage or a floating CE# (common practice)

// A heavy static current: ohmic is a short, bent is silicon the wrong way round.
void judge_heavy(const Reading& r, double heavy, Verdicts& verdicts) {
  const Features& f = r.trace;
  const RampShape& shape = r.shape();
  const double mA = std::max(f.early_mA, 0.1), ohm = f.early_V / mA * 1e3;
  std::vector<std::string> evidence{
      fmt::format("{:.0f} mA flow at {:.2f} V ({:.1f} ohm) with the chip doing nothing", mA, f.early_V, ohm)};
  if (r.limit_mA)
    evidence.push_back(fmt::format("{:.0f} % of the limit of {:.0f} mA", 100 * mA / *r.limit_mA, *r.limit_mA));
  double bent = 0.5;
  if (shape.resolved) {
    bent = exceeds(shape.ratio(), r.at.resistor_ratio, 0.04);
    evidence.push_back(fmt::format("voltage at 10 % over voltage at 85 % of the current: {:.2f} ({})",
                                   shape.ratio(),
                                   bent < 0.5            ? "straight: a resistor"
                                   : shape.ratio() > 0.6 ? "a junction: the supply the wrong way round"
                                                         : "bent: pin clamps behind some resistance"));
  } else if (f.early_V < kJunction) {
    bent = exceeds(f.early_V, kJunction, 0.03) * 0.5;
    evidence.push_back(fmt::format("below {:.1f} V no junction carries that", kJunction));
  } else if (shape.chord) {
    bent = 1 - exceeds(*shape.chord, 0.8, 0.07);
    evidence.push_back(fmt::format("on the way up {:.0f} % of the current a resistor would draw: {}",
                                   *shape.chord * 100,
                                   bent < 0.5 ? "straight" : "bent, a junction or pin clamps"));
  } else {
    verdicts.doubt(
        "the ramp is too fast for this sampling to tell a short from a chip the wrong way round: record the "
        "burst");
  }
  verdicts.claim(Fault::socket_short, heavy * (1 - bent), evidence);
  verdicts.claim(Fault::socket_reversed, heavy * bent / std::max(0.02, 1 - heavy * (1 - bent)),
                 std::move(evidence));
}

void judge_presence(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  const Features& on = r.switch_on();
  // A chip works at power-on (reading its settings), works on commands, and leaks in standby. The first two cannot
  // be mistaken; a standby of 15 uA needs a good zero.
  const double hum_uC = f.hum_mA > 0 ? on.behind_uC.sigma : 0;  // in which hum alone may give as much
  const double woke =
      on.t_on_s ? exceeds(on.behind_uC.value, 0.8 + 2 * hum_uC, std::hypot(0.15, on.behind_uC.sigma)) : 0;
  const double works = exceeds(f.active_ms, 3, 1);
  const double zero = std::hypot(
      f.baseline_mA.sigma, f.noise_mA / std::sqrt(std::max(1.0, std::min(f.duration_s / 10, 0.1) / f.sample_s)));
  const double leaks = exceeds(f.end_mA, 0.006 + 2 * zero, zero);
  const double present = 1 - (1 - woke) * (1 - works) * (1 - 0.8 * leaks);
  std::vector<std::string> evidence{
      fmt::format("{:.2f} uC at switch-on beyond the capacitors on the rail", on.behind_uC.value),
      fmt::format("{:.0f} ms with activity", f.active_ms),
      fmt::format("{:.0f} uA at the end (+-{:.0f})", f.end_mA * 1e3, zero * 1e3)};
  if (f.low_mA > kLeak)
    evidence.push_back(fmt::format("standby of {:.1f} mA: leakage (flux residue) or a floating CE#", f.low_mA));
  verdicts.claim(Fault::socket_ok, present * 0.97, evidence);
  // A silent chip without a visible power-on would look like this too.
  const bool unseen = (zero > 0.01 && !r.burst && !on.ramp_resolved) || zero > 0.1 || on.behind_uC.sigma > 0.5;
  const double blind = unseen ? 0.45 : 0.95;
  if (present < 0.5 && f.hum_mA > 0 && blind < 0.9)
    verdicts.doubt(
        fmt::format("hum of {:.2f} mA at {:.0f} Hz hides what a chip in standby draws: away with mains leads, "
                    "short leads to the "
                    "board, its supply from another outlet; then record again",
                    f.hum_mA, f.hum_Hz));
  else if (present < 0.5 && blind < 0.9)
    verdicts.doubt("noise and sampling hide what a chip in standby draws");
  verdicts.claim(Fault::socket_empty,
                 (1 - present) * blind / std::max(0.02, verdicts.rest()) * std::min(1.0, verdicts.rest()),
                 std::move(evidence));
}

}  // namespace

void judge_socket(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  if (f.overload) {
    if (f.overload->opened) judge_collapse(r, verdicts);
    verdicts.claim(Fault::socket_short, 0.97, overload_evidence(r, *f.overload));
    verdicts.claim(Fault::unsure, 1, {});
    return;
  }
  const double nominal = nominal_volts(*r.rail);
  const double up = exceeds(f.top_V, 0.87 * nominal, 0.02 * nominal);
  const double held = (1 - up) * exceeds(f.early_mA, 3, 1 + r.zero_sigma_mA());
  if (up < 0.5 && held < 0.5) {
    verdicts.doubt(fmt::format(
        "the rail stays at {:.2f} V although next to nothing flows: check the board with an empty socket",
        f.top_V));
    verdicts.claim(Fault::unsure, 1 - up, {});
    return;
  }
  if (held > 0.5) {
    judge_heavy(r, held, verdicts);
    return;
  }
  judge_collapse(r, verdicts);
  judge_heavy(r, exceeds_by_factor(std::max(f.low_mA, 0.01), r.at.static_mA, 0.2), verdicts);
  judge_presence(r, verdicts);
}

}  // namespace steadycell::supply
