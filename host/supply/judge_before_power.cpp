#include <fmt/format.h>

#include "supply/judge.h"

// What the check before power adds to a trace of the port: it saw what a power-up cannot show (the data lines), and at 0.2 V, where
// no silicon conducts, it saw the 5 V side alone.
namespace steadycell::supply {
namespace {

constexpr double kLeak_ohm = 500;  // 10 mA and more that no healthy stick takes (cold.cpp)

// How much each finding on a data line speaks for a stick that no host can see, by the physics of the pin; common practice, no source.
double weight_of(const ColdCheck& cold, std::size_t line) {
  const DataLine other = cold.data[1 - line].state;
  switch (cold.data[line].state) {
    case DataLine::bridged:
      return 0.97;  // below 1 kohm a pull-up of 1.5 kohm leaves 1.3 V of 3.3, no attach (USB 2.0, 7.1.5 and 7.1.7.3, from memory)
    case DataLine::open: return 0.95;     // every controller's pin has a clamp to ground: there is no pin behind
    case DataLine::no_lower: return other == DataLine::no_lower ? 0.5 : 0.7;
    case DataLine::no_upper: return 0.4;  // often a blown clamp
    case DataLine::unlike_twin: return 0.3;
    case DataLine::sound: break;
  }
  return 0;
}

// The resistor that the check before power found, and what of it the trace shows.
struct Leak {
  double likely = 0, there = 0;  // that it leaks; that its current flows at power
  double expected_mA = 0, level_mA = 0;
};

Leak leak_of(const Reading& r) {
  Leak leak;
  if (!r.cold || r.cold->ohm > 2 * kLeak_ohm) return leak;
  const Features& f = r.trace;
  leak.expected_mA = f.top_V / r.cold->ohm * 1e3;
  leak.level_mA = f.t_on_s ? f.first_level_mA.value : f.low_mA;
  leak.there =
      exceeds(leak.level_mA, 0.7 * leak.expected_mA, std::hypot(0.1 * leak.expected_mA, r.zero_sigma_mA()));
  leak.likely = 1 - exceeds_by_factor(r.cold->ohm, kLeak_ohm, 0.2);
  return leak;
}

}  // namespace

std::string before_power(std::string_view finding) { return fmt::format("before power: {}", finding); }

std::optional<double> resistor_at_5V(const Reading& r, double ohm) {
  if (!r.cold) return std::nullopt;
  return std::clamp(1 - exceeds_by_factor(r.cold->ohm, 2 * ohm, 0.3), 0.02, 0.98);
}

// Nothing hung on the supply at 0.2 V, yet at 5 V something flows: a contact that closed meanwhile, or a load switch, which is off at
// 0.2 V by design. What the trace shows stays the more likely.
void judge_open_before(const Reading& r, Verdicts& verdicts) {
  if (!r.cold || r.cold->verdict != ColdVerdict::open_path) return;
  const Features& f = r.trace;
  const double sigma = std::hypot(0.12, r.zero_sigma_mA());
  const double flows = exceeds(std::max(f.end_mA, f.high_mA), r.at.nothing_mA, sigma);
  const double charged = f.t_on_s ? exceeds_by_factor(std::max(f.switch_on_uC.value, 0.01), r.at.fixture_uC, 0.35) : 0;
  verdicts.claim(
      Fault::intermittent, 0.4 * std::max(flows, charged),
      {before_power(r.cold->findings.front()),
       fmt::format("at 5 V up to {:.1f} mA flow: a contact closed meanwhile, or a load switch that is off at 0.2 V", f.high_mA)});
}

// Below 500 ohm at 0.2 V only a resistor conducts, and only one on the 5 V side: the regulator is off there. At 5 V it must take its
// share; when it does not, it has gone.
void judge_leak(const Reading& r, Verdicts& verdicts) {
  const Leak leak = leak_of(r);
  if (leak.likely == 0) return;
  std::vector<std::string> evidence{before_power(r.cold->findings.front()),
                                    fmt::format("at {:.2f} V that takes {:.0f} mA, and {:.0f} mA flow right "
                                                "behind switch-on, as into {:.0f} ohm: the resistor is on the "
                                                "5 V side, for at 0.2 V nothing behind a regulator conducts",
                                                r.trace.top_V, leak.expected_mA, leak.level_mA,
                                                r.trace.top_V / std::max(0.1, leak.level_mA) * 1e3)};
  if (!r.trace.collapses.empty())
    evidence.push_back(fmt::format(
        "the supply fell under it and the rest at {:.3f} s: no more current before the resistor is found",
        r.trace.collapses.front().time_s));
  verdicts.claim(Fault::vbus_short, leak.likely * leak.there, std::move(evidence));
}

void judge_leak_gone(const Reading& r, Verdicts& verdicts) {
  const Leak leak = leak_of(r);
  if (leak.likely == 0) return;
  verdicts.claim(
      Fault::intermittent, 0.5 * leak.likely * (1 - leak.there),
      {before_power(r.cold->findings.front()), fmt::format("at {:.2f} V that would take {:.0f} mA, but {:.1f} mA "
                                                           "flow: what conducted then has moved or burnt open",
                                                           r.trace.top_V, leak.expected_mA, leak.level_mA)});
}

void judge_data_lines(const Reading& r, Verdicts& verdicts) {
  if (!r.cold) return;
  double sound = 1;
  std::vector<std::string> evidence;
  for (std::size_t line = 0; line < 2; ++line) {
    const double weight = weight_of(*r.cold, line);
    if (weight == 0) continue;
    sound *= 1 - weight;
    evidence.push_back(before_power(r.cold->data[line].says));
  }
  if (evidence.empty()) return;
  evidence.push_back(fmt::format(
      "the supply current does not contradict it: {:.1f} mA at the end; a stick runs its firmware without its data lines", r.trace.end_mA));
  verdicts.claim(Fault::data_line, 1 - sound, std::move(evidence));
}

}  // namespace steadycell::supply
