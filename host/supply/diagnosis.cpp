#include "supply/diagnosis.h"

#include <fmt/format.h>

#include "supply/judge.h"

namespace steadycell::supply {
namespace {

// Below this the first name on the list is `unsure`.
constexpr double kSure = 0.5;
// A loop that has shown itself is not powered up again for the sake of a second diagnosis below this.
constexpr double kRival = 0.1;
// What a diagnosis is worth at most when the rail is read from the voltage that stood, or assumed. Common practice, no source.
constexpr double kReadRail = 0.9, kAssumedRail = 0.6;
// What soundness is worth at most where the switch-on is not in the trace, or not whole. Common practice, no source.
constexpr double kUnseenSwitchOn = 0.7;

// A rail that came up shows its voltage; one held down by a heavy current does not.
std::optional<Rail> rail_of(const Features& f) {
  if (f.early_mA > 20 && f.top_V < 4.3) return std::nullopt;
  if (f.top_V > 4.3 && f.top_V < 5.6) return Rail::vbus;
  if (f.top_V > 3.0 && f.top_V < 3.7) return Rail::socket3v3;
  if (f.top_V > 1.6 && f.top_V < 2.0) return Rail::socket1v8;
  return std::nullopt;
}

// Faults, and soundness, that a restart, a drop or a late page read would refute: each moment of recording makes them surer.
bool rests_on_absence(Fault fault) {
  return fault == Fault::healthy || fault == Fault::dead_clock || fault == Fault::nand_no_answer || fault == Fault::missing_bulk ||
         fault == Fault::socket_ok || fault == Fault::socket_empty;
}

// A recording that breaks off. Most loops and loose contacts show within a second (common practice, no source).
void note_break(const Features& trace, double broke_off_s, Verdicts& verdicts) {
  const double seen = std::max(0.0, broke_off_s - trace.t_on_s.value_or(broke_off_s - trace.duration_s));
  const double most = 0.9 - 0.35 * std::exp(-seen / 0.5);
  verdicts.cap_absence(
      most, fmt::format("the recording breaks off at t = {:.3f} s: the program was killed, the power failed or the disk was full; what "
                        "came later is not known, so whatever a longer look could refute gets {:.0f} % at most",
                        broke_off_s, 100 * most));
}

}  // namespace

// What was claimed for "unsure" is no diagnosis beside the others, but part of what is left. Where nothing reaches kSure, `unsure`
// comes first, and the others are discounted until it does; together they stay at 1 at most.
void Verdicts::put_unsure_first() {
  double sum = 0;
  for (const Diagnosis& d : list_) sum += d.confidence;
  const double top = list_.empty() ? 0 : list_.front().confidence;
  const double discount = std::min(1.0, 1 / std::max(1e-9, sum + top));
  for (Diagnosis& d : list_) d.confidence *= discount;
  Diagnosis unsure;
  unsure.confidence = 1 - discount * sum;
  unsure.evidence = std::move(doubts_);
  if (unsure.evidence.empty()) unsure.evidence.emplace_back("no fault accounts for the trace well enough");
  list_.insert(list_.begin(), std::move(unsure));
}

// Each number is told once, with the diagnosis it speaks for most.
void Verdicts::tell_once() {
  std::vector<std::string> told;
  for (Diagnosis& d : list_) {
    std::erase_if(d.evidence, [&](const std::string& line) { return std::find(told.begin(), told.end(), line) != told.end(); });
    told.insert(told.end(), d.evidence.begin(), d.evidence.end());
    if (d.evidence.empty()) d.evidence.emplace_back("the numbers above, read another way: they fit this less well");
  }
  if (list_.empty()) return;
  for (std::string& note : notes_)
    if (std::find(told.begin(), told.end(), note) == told.end()) list_.front().evidence.push_back(std::move(note));
}

std::vector<Diagnosis> Verdicts::ranked() && {
  double sum = 0;
  std::erase_if(list_, [](const Diagnosis& d) { return d.fault == Fault::unsure; });
  for (const Diagnosis& d : list_) sum += d.confidence;
  for (Diagnosis& d : list_) d.confidence *= std::min(1.0, most_ / std::max(sum, 1e-9));
  for (Diagnosis& d : list_)
    if (rests_on_absence(d.fault)) d.confidence = std::min(d.confidence, absence_most_);
  std::stable_sort(list_.begin(), list_.end(),
                   [](const Diagnosis& a, const Diagnosis& b) { return a.confidence > b.confidence; });
  std::erase_if(list_, [](const Diagnosis& d) { return d.confidence < kWorthNaming; });
  if (list_.empty() || list_.front().confidence < kSure) put_unsure_first();
  tell_once();
  for (std::size_t i = 0; i < list_.size(); ++i) {
    Diagnosis& d = list_[i];
    const std::size_t other = i == 0 ? 1 : 0;
    const bool rival = other < list_.size() && (d.fault != Fault::boot_loop || list_[other].confidence >= kRival);
    d.next_step = next_step_for(d.fault, rival ? list_[other].fault : Fault::unsure);
    if (d.fault == Fault::unsure && !cure_.empty()) d.next_step = cure_;
    d.caution = caution_for(d.fault);
  }
  return std::move(list_);
}

std::string ohms_before_power_again() {
  return "no new recording, which would power the load again: power off; ohms at 0.2 V on VBUS and on the "
         "regulator's output; what reads "
         "low is found and mended before the next power-up";
}

std::vector<std::string> overload_evidence(const Reading& r, const Overload& o) {
  std::vector<std::string> evidence{
      fmt::format("from {:.3f} s on {:.0f} mA flow while the rail, which had stood at {:.2f} V, lies at {:.2f} V: "
                  "{:.2f} ohm with lead and "
                  "contacts",
                  o.time_s, o.mA, r.trace.top_V, o.volts, o.ohm()),
      o.opened ? fmt::format("{:.1f} ms later the current was gone: a limiter opened", o.length_s * 1e3)
               : "no limiter opened, for the current goes on: it is held, or the source sags under it",
      "it came after the start: a part that breaks down as it warms, or a latch-up"};
  if (r.limit_mA)
    evidence.push_back(fmt::format("{:.0f} % of the limit of {:.0f} mA", 100 * o.mA / *r.limit_mA, *r.limit_mA));
  return evidence;
}

void judge_collapse(const Reading& r, Verdicts& verdicts) {
  const Features& f = r.trace;
  const auto event_near = [&](std::string_view word, double time_s) {
    return std::any_of(r.header.events.begin(), r.header.events.end(),
                       [&](const TraceEvent& e) { return e.text == word && std::abs(e.time_s - time_s) < 0.02; });
  };
  // The board's limiter latches and tells of a trip; the fall behind an "off" that no trip precedes is the recorder's own, however
  // late the samples show it.
  const auto ours = [&](double time_s) {
    const auto before = [&](std::string_view word) {
      return std::any_of(r.header.events.begin(), r.header.events.end(),
                         [&](const TraceEvent& e) { return e.text == word && e.time_s < time_s + 0.02; });
    };
    return before("off") && !before("trip");
  };
  double certain = 0;
  bool went_away = false;
  std::vector<std::string> evidence;
  for (const Collapse& c : f.collapses) {
    if (ours(c.time_s)) continue;
    double p = 0;
    std::string says = fmt::format(
        "the supply stood, then fell at {:.3f} s; highest current before {:.0f} mA, at that top for {:.1f} ms",
        c.time_s, c.peak_before_mA, c.flat_ms);
    if (event_near("trip", c.time_s) || event_near("limit", c.time_s)) {
      p = 0.99;
      says += ", where the recorder notes that the limiter acted";
    } else if (c.from_nothing && c.came_back) {
      p = 0.02;
      says += "; nothing flowed until then: a contact closed and capacitors charged";
    } else if (const double passed = f.sustained_mA; passed > 5 && c.peak_before_mA < 0.8 * passed) {
      went_away = true;
      verdicts.note(
          fmt::format("at {:.3f} s the supply went away, while {:.0f} mA flowed: no limiter does that, for it had "
                      "passed {:.0f} mA for 50 ms "
                      "before; it was switched off or pulled out, and what came later is not known",
                      c.time_s, c.peak_before_mA, passed));
      continue;
    } else if (r.limit_mA) {
      p = exceeds(c.peak_before_mA / *r.limit_mA, 0.87, 0.03);
      says +=
          fmt::format(" ({:.0f} % of the limit of {:.0f} mA)", 100 * c.peak_before_mA / *r.limit_mA, *r.limit_mA);
    } else if (c.sag_ms > 2.5e3 * f.sample_s) {
      p = 0.95;
      says += fmt::format("; the voltage sagged for {:.1f} ms while the current stood still: a limiter at work",
                          c.sag_ms);
    } else {
      // A hand on the switch looks the same, except that people rarely switch off amid a burst.
      p = f.duration_s - c.time_s > 0.05 ? 0.6 : 0.2;
      says += "; the limit is not known";
      verdicts.doubt("the supply went off and the trace does not say why: give the limit with --limit");
    }
    if (c.came_back) says += "; it came back later";
    if (p > certain) {
      certain = p;
      evidence = {says};
    }
  }
  // It fell for good, below the limit said, and not by a hand: soundness does not follow from what came before.
  const bool fell =
      !f.collapses.empty() && !f.collapses.back().came_back && !ours(f.collapses.back().time_s) && !went_away;
  if (f.collapses.empty() && r.limit_mA && f.end_V < 0.93 * f.top_V && f.end_mA > 0.9 * *r.limit_mA) {
    certain = 0.9;
    evidence = {fmt::format("at the end {:.0f} mA flow, the limit, and the supply is held down at {:.2f} V",
                            f.end_mA, f.end_V)};
  }
  if (!evidence.empty() && !f.plateaus.empty())
    evidence.push_back(fmt::format("the stage before drew {:.1f} mA", f.plateaus.back().mA));
  verdicts.claim(Fault::limit_trip, certain, std::move(evidence));
  if (fell && certain < 0.5 && r.limit_mA) {
    verdicts.doubt(
        fmt::format("the supply fell at {:.3f} s, at {:.0f} mA, {:.0f} % of the limit said: switched off, another "
                    "limiter in its "
                    "way, or another limit than said",
                    f.collapses.back().time_s, f.collapses.back().peak_before_mA,
                    100 * f.collapses.back().peak_before_mA / *r.limit_mA));
    verdicts.cap_absence(0.7, fmt::format("the supply fell at {:.3f} s and stayed off: what came later is not "
                                          "known; soundness gets 70 % at most",
                                          f.collapses.back().time_s));
  }
}

std::vector<Diagnosis> diagnose(const Features& trace, const TraceHeader& header, const Settings& settings,
                                const Features* burst, const Features* twin) {
  Verdicts verdicts;
  Reading reading{trace,
                  header,
                  settings.rail ? settings.rail : header.rail,
                  false,
                  settings.limit_mA ? settings.limit_mA : header.limit_mA,
                  same_power_up(trace, burst, verdicts),
                  twin,
                  settings.thresholds};
  std::optional<ColdCheck> cold;
  if (header.cold) {
    cold = judge_cold(*header.cold, header.cold_twin ? &*header.cold_twin : nullptr);
    reading.cold = &*cold;
    for (const std::string& finding : cold->findings) verdicts.note(before_power(finding));
  }
  if (header.broke_off_s) note_break(trace, *header.broke_off_s, verdicts);
  if (!trace.has_baseline)
    verdicts.note(trace.t_on_s
                      ? "hardly a sample from before power: the zero of the current is not known better than 1 mA"
                      : "no samples from before power: the zero of the current is not known better than 1 mA");
  if (trace.gaps > 0)
    verdicts.note(fmt::format("{} gaps, {:.1f} ms in all, were not recorded", trace.gaps, trace.gap_s * 1e3));
  if (trace.hum_mA > 0)
    verdicts.note(
        fmt::format("hum of {:.2f} mA at {:.0f} Hz rides on the current: mains, in leads or supply; the zero is "
                    "known to {:.2f} mA",
                    trace.hum_mA, trace.hum_Hz, trace.baseline_mA.sigma));
  if (trace.saturated)
    verdicts.note(
        trace.clipped_at_mA
            ? fmt::format(
                  "the highest value, {:.1f} mA, stands often in a row: the converter's range ends there, and currents and charges are at "
                  "least what is said here",
                  *trace.clipped_at_mA)
            : std::string("the converter was at full scale: currents and charges are at least what is said here"));

  if (trace.bins.empty() || (trace.top_V < 0.03 && trace.early_mA < 5)) {
    verdicts.doubt("the trace shows no moment with power");
    return std::move(verdicts).ranked();
  }
  if (!reading.rail) {
    reading.rail = rail_of(trace);
    if (reading.rail)
      verdicts.cap(kReadRail,
                   fmt::format("neither header nor --rail says which rail this is; {:.2f} V look like {}: no confidence above {:.0f} %, "
                               "since any rail may be set to it",
                               trace.top_V, name_of(*reading.rail), 100 * kReadRail));
  }
  if (!reading.rail) {
    if (!settings.assume_port) {
      verdicts.doubt(fmt::format("{:.2f} V at {:.0f} mA: which rail this is decides what it means; give --rail",
                                 trace.early_V, trace.early_mA));
      return std::move(verdicts).ranked();
    }
    reading.rail = Rail::vbus;
    reading.rail_assumed = true;
    verdicts.cap(kAssumedRail,
                 fmt::format("neither header nor --rail says which rail this is, and it never came up; read as the USB port: no "
                             "confidence above {:.0f} %, since a socket rail held down looks the same",
                             100 * kAssumedRail));
  }
  if (recording_is_wrong(reading, verdicts)) return std::move(verdicts).ranked();
  doubt_constant_current(reading, verdicts);
  doubt_milliampere(reading, verdicts);
  if (*reading.rail == Rail::vbus && !trace.t_on_s)
    verdicts.cap_absence(kUnseenSwitchOn,
                         fmt::format("the switch-on is not in the trace: a load from the first moment, the input capacitor and where the "
                                     "stages begin are not known; what a longer look could refute gets {:.0f} % at most",
                                     100 * kUnseenSwitchOn));
  else if (*reading.rail == Rail::vbus && !reading.cold && reading.switch_on().switch_on_uC.at_least)
    verdicts.cap_absence(
        kUnseenSwitchOn,
        fmt::format("samples are missing or cut off at switch-on, so the charge is not known whole; soundness gets {:.0f} % at "
                    "most",
                    100 * kUnseenSwitchOn));
  if (*reading.rail == Rail::vbus)
    judge_port(reading, verdicts);
  else
    judge_socket(reading, verdicts);
  return std::move(verdicts).ranked();
}

}  // namespace steadycell::supply
