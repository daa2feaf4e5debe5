#include "supply/cold.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

namespace steadycell::supply {
namespace {

// Common practice, no source: below 5 ohm on the supply a hard short, up to 50 ohm a soft one; a healthy stick reads
// kilo-ohms. 50 ohm take 100 mA at 5 V, a unit load (USB 2.0, 7.2.1, from memory) by themselves; below 500 ohm it is still
// 10 mA and more that a healthy stick does not take.
constexpr double kHardShort = 5, kSoftShort = 50, kDoubtful = 500, kOpen = 1e6;
// A silicon junction at 100 uA lies between 0.3 and 0.8 V (common practice of contact tests); far less is a bridge.
constexpr double kJunctionLow = 0.3, kJunctionHigh = 0.9, kBridged = 0.1;
constexpr double kNanoamp = 1e-9;
constexpr double kTwinJunction = 0.08, kTwinShare = 0.4;

std::string ohms(double value) {
  if (value >= 1e6) return fmt::format("{:.1f} Mohm", value * 1e-6);
  if (value >= 1e3) return fmt::format("{:.1f} kohm", value * 1e-3);
  return fmt::format("{:.{}f} ohm", value, value < 100 ? 1 : 0);
}

double resistance(const ColdReading& r) { return std::abs(r.volts) / std::max(std::abs(r.amps), kNanoamp); }

enum class Clamp : std::uint8_t { good, open, bridged, odd };
Clamp clamp_of(const ColdReading& r) {
  const double volts = std::abs(r.volts);
  if (r.at_most_V()) return Clamp::open;
  if (volts < kBridged) return Clamp::bridged;
  return volts >= kJunctionLow && volts <= kJunctionHigh ? Clamp::good : Clamp::odd;
}

constexpr const char* kDataNames[] = {"D+", "D-"};

// Another finding on one data line: all are told, the worst is its state.
void found(ColdCheck& out, std::size_t line, DataLine state, std::string says) {
  DataCheck& check = out.data[line];
  if (state > check.state) check = {state, says};
  out.findings.push_back(std::move(says));
}

void look_at_data(const ColdReadings& r, const ColdReadings* twin, ColdCheck& out) {
  for (std::size_t i = 0; i < 2; ++i) {
    const char* name = kDataNames[i];
    const Clamp forward = clamp_of(r.data_forward[i]), backward = clamp_of(r.data_backward[i]);
    if (forward == Clamp::bridged || backward == Clamp::bridged) {
      found(out, i, DataLine::bridged, fmt::format("{} reads {:.0f} mV at 100 uA: bridged to ground or a dead clamp", name,
                                                   1000 * std::min(std::abs(r.data_forward[i].volts), std::abs(r.data_backward[i].volts))));
    } else if (forward == Clamp::open && backward == Clamp::open) {
      found(out, i, DataLine::open, fmt::format("{} is open both ways up to 1.5 V: no controller behind it", name));
    } else if (backward == Clamp::open) {
      found(out, i, DataLine::no_lower, fmt::format("{} has no junction to ground up to 1.5 V", name));
    }
    if (twin && std::abs(r.data_backward[i].volts - twin->data_backward[i].volts) > kTwinJunction)
      found(out, i, DataLine::unlike_twin, fmt::format("{} conducts to ground at {:.0f} mV, the twin at {:.0f} mV", name,
                                                       1000 * r.data_backward[i].volts, 1000 * twin->data_backward[i].volts));
  }
  // Some parts have no upper diode: missing on both lines says nothing, missing on one does.
  const bool plus = clamp_of(r.data_forward[0]) == Clamp::open, minus = clamp_of(r.data_forward[1]) == Clamp::open;
  const std::size_t lacking = plus ? 0 : 1;
  if (plus != minus && clamp_of(r.data_backward[lacking]) != Clamp::open)
    found(out, lacking, DataLine::no_upper, fmt::format("{} lacks the upper junction that the other data line has", kDataNames[lacking]));
}

json::Object reading_json(const ColdReading& r) {
  return {{"asked_A", r.asked_A}, {"most_V", r.most_V}, {"early_s", r.early_s}, {"early_V", r.early_V},
          {"early_A", r.early_A}, {"volts", r.volts},   {"amps", r.amps}};
}

using Places = std::vector<std::pair<const char*, ColdReading*>>;
Places places(ColdReadings& r) {
  return {{"supply_forward", &r.forward},          {"supply_backward", &r.backward},
          {"supply_charge", &r.charge},            {"supply_junction", &r.junction},
          {"d_plus_forward", &r.data_forward[0]},  {"d_plus_backward", &r.data_backward[0]},
          {"d_minus_forward", &r.data_forward[1]}, {"d_minus_backward", &r.data_backward[1]}};
}

}  // namespace

std::string_view name_of(ColdVerdict verdict) {
  switch (verdict) {
    case ColdVerdict::clean: return "clean";
    case ColdVerdict::doubtful: return "doubtful";
    case ColdVerdict::open_path: return "open_path";
    case ColdVerdict::shorted: return "shorted";
  }
  return "doubtful";
}

ColdCheck judge_cold(const ColdReadings& r, const ColdReadings* twin) {
  ColdCheck out;
  const bool forward_lower = resistance(r.forward) <= resistance(r.backward);
  const ColdReading& lower = forward_lower ? r.forward : r.backward;
  out.ohm = resistance(lower);
  out.ohm_at_V = lower.volts;
  out.ohm_at_least = std::abs(lower.amps) <= kNanoamp;
  out.junction_V = r.junction.volts;

  // A capacitor takes the current for a while: C = I t / V, until the source is at its voltage.
  const bool early_full = std::abs(r.charge.early_V) > 0.98 * std::abs(r.charge.most_V);
  const double farads = std::abs(r.charge.asked_A) * r.charge.early_s / std::max(std::abs(r.charge.early_V), 1e-6);
  const bool resistor_holds = out.ohm * std::abs(r.charge.asked_A) < 0.5 * std::abs(r.charge.most_V);
  if (!resistor_holds) {
    out.microfarads = farads * 1e6;
    out.microfarads_at_most = early_full;
  }

  bool doubt = false;
  const std::string at = fmt::format("at {:.3f} V", out.ohm_at_V);
  if (out.ohm < kSoftShort) {
    out.verdict = ColdVerdict::shorted;
    out.findings.push_back(fmt::format("supply to ground is {} {}, lead and contacts included: a {} short", ohms(out.ohm), at,
                                       out.ohm < kHardShort ? "hard" : "soft"));
  } else if (out.ohm < kDoubtful) {
    doubt = true;
    out.findings.push_back(fmt::format("supply to ground is {} {}: at 5 V that would be {:.0f} mA", ohms(out.ohm), at, 5000 / out.ohm));
  } else if (out.ohm > kOpen && early_full && r.junction.at_most_V()) {
    out.verdict = ColdVerdict::open_path;
    out.findings.push_back(fmt::format("supply to ground is above {} {}, nothing charges and no junction conducts: the path is open",
                                       ohms(kOpen), at));
  } else {
    out.findings.push_back(
        fmt::format("supply to ground is {}{} {}", out.ohm_at_least ? "above " : "", ohms(std::min(out.ohm, 100e6)), at));
  }
  if (out.microfarads && !(out.verdict == ColdVerdict::open_path))
    out.findings.push_back(
        fmt::format("the supply charges like {}{:.1f} uF", out.microfarads_at_most ? "less than " : "", *out.microfarads));
  if (out.ohm >= kDoubtful && !r.junction.at_most_V())  // else the resistor conducts, not a junction
    out.findings.push_back(fmt::format("backwards the supply conducts at {:.0f} mV and 100 uA", 1000 * r.junction.volts));

  look_at_data(r, twin, out);
  doubt |= std::any_of(out.data.begin(), out.data.end(), [](const DataCheck& d) { return d.state == DataLine::bridged; });
  if (twin) {
    const ColdCheck healthy = judge_cold(*twin);
    if (out.ohm < kTwinShare * healthy.ohm && out.ohm < 100e3) {
      doubt = true;
      out.findings.push_back(fmt::format("the twin reads {}: this board leaks", ohms(healthy.ohm)));
    }
    if (out.microfarads && healthy.microfarads && !healthy.microfarads_at_most && *out.microfarads < kTwinShare * *healthy.microfarads)
      out.findings.push_back(fmt::format("the twin charges like {:.1f} uF: a capacitor is missing here", *healthy.microfarads));
  }
  if (out.verdict == ColdVerdict::doubtful && !doubt) out.verdict = ColdVerdict::clean;
  return out;
}

json::Object to_json(const ColdCheck& check) {
  json::Object out{{"verdict", std::string(name_of(check.verdict))}, {"ohm", check.ohm}, {"ohm_at_V", check.ohm_at_V},
                   {"ohm_at_least", check.ohm_at_least}};
  out["capacitance_uF"] = check.microfarads ? json::Value(*check.microfarads) : json::Value(nullptr);
  out["capacitance_at_most"] = check.microfarads_at_most;
  out["junction_V"] = check.junction_V;
  json::Array findings;
  for (const std::string& finding : check.findings) findings.emplace_back(finding);
  out["findings"] = std::move(findings);
  out["limit_mA"] = check.limit_mA();
  return out;
}

json::Object to_json(const ColdReadings& readings) {
  ColdReadings copy = readings;
  json::Object out;
  for (const auto& [key, reading] : places(copy)) out[key] = reading_json(*reading);
  return out;
}

std::vector<std::string> lines_of(const ColdReadings& readings) {
  ColdReadings copy = readings;
  std::vector<std::string> out;
  for (const auto& [key, r] : places(copy))
    out.push_back(
        fmt::format("{} {} {} {} {} {} {} {}", key, r->asked_A, r->most_V, r->early_s, r->early_V, r->early_A, r->volts, r->amps));
  return out;
}

std::optional<std::size_t> take_line(std::string_view name, const std::array<double, kColdNumbers>& n, ColdReadings& into) {
  const Places all = places(into);
  for (std::size_t i = 0; i < all.size(); ++i) {
    if (name != all[i].first) continue;
    *all[i].second = {n[0], n[1], n[2], n[3], n[4], n[5], n[6]};
    return i;
  }
  return std::nullopt;
}

Result<ColdReadings> cold_readings_of(const json::Value& value) {
  ColdReadings out;
  json::Reader reader(value, "");
  for (const auto& [key, into] : places(out)) {
    const auto part = reader.object(key);
    if (!part) return failure(part.error());
    json::Reader in(**part, key);
    for (const auto& [name, number] : {std::pair{"asked_A", &into->asked_A},
                                       {"most_V", &into->most_V},
                                       {"early_s", &into->early_s},
                                       {"early_V", &into->early_V},
                                       {"early_A", &into->early_A},
                                       {"volts", &into->volts},
                                       {"amps", &into->amps}}) {
      const auto read = in.real(name, -1e6, 1e6);
      if (!read) return failure(read.error());
      *number = *read;
    }
  }
  return out;
}

}  // namespace steadycell::supply
