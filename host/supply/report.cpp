#include "supply/report.h"

namespace steadycell::supply {
namespace {

json::Value measured(const Measured& m) {
  return json::Object{{"value", m.value}, {"sigma", m.sigma}, {"at_least", m.at_least}};
}
template <typename T>
json::Value or_null(const std::optional<T>& value) {
  if (!value) return nullptr;
  if constexpr (std::is_same_v<T, Measured>)
    return measured(*value);
  else
    return *value;
}

}  // namespace

json::Value to_json(const std::vector<Diagnosis>& diagnoses) {
  json::Array list;
  for (const Diagnosis& d : diagnoses) {
    json::Array evidence;
    for (const std::string& line : d.evidence) evidence.emplace_back(line);
    list.push_back(json::Object{{"fault", key_of(d.fault)},
                                {"says", words_for(d.fault)},
                                {"confidence", d.confidence},
                                {"evidence", evidence},
                                {"next_step", d.next_step},
                                {"caution", d.caution}});
  }
  return list;
}

json::Value to_json(const Features& f) {
  json::Array plateaus, drops, collapses, restarts;
  for (const Plateau& p : f.plateaus)
    plateaus.push_back(json::Object{{"start_s", p.start_s}, {"length_s", p.length_s}, {"mA", p.mA}});
  for (const Drop& d : f.drops)
    drops.push_back(json::Object{{"time_s", d.time_s},
                                 {"length_s", d.length_s},
                                 {"level_before_mA", d.level_before_mA},
                                 {"peak_after_mA", d.peak_after_mA},
                                 {"mean_mA", d.mean_mA},
                                 {"recharge_uC", d.recharge_uC}});
  for (const Collapse& c : f.collapses)
    collapses.push_back(json::Object{{"time_s", c.time_s},
                                     {"peak_before_mA", c.peak_before_mA},
                                     {"flat_ms", c.flat_ms},
                                     {"sag_ms", c.sag_ms},
                                     {"came_back", c.came_back},
                                     {"from_nothing", c.from_nothing}});
  for (const double t : f.restarts_s) restarts.emplace_back(t);
  const bool on = f.t_on_s.has_value();
  const auto if_on = [&](json::Value value) { return on ? std::move(value) : json::Value(); };
  return json::Object{{"duration_s", f.duration_s},
                      {"sample_s", f.sample_s},
                      {"samples", f.samples},
                      {"gaps", f.gaps},
                      {"gap_s", f.gap_s},
                      {"saturated", f.saturated},
                      {"clipped_at_mA", or_null(f.clipped_at_mA)},
                      {"highest_mA", f.highest_mA},
                      {"t_on_s", or_null(f.t_on_s)},
                      {"baseline_mA", f.has_baseline ? measured(f.baseline_mA) : json::Value()},
                      {"noise_mA", f.noise_mA},
                      {"top_V", f.top_V},
                      {"end_V", f.end_V},
                      {"end_mA", f.end_mA},
                      {"ramp_s", if_on(f.ramp_s)},
                      {"switch_on_uC", if_on(measured(f.switch_on_uC))},
                      {"input_uF", if_on(measured(f.input_uF))},
                      {"behind_uC", if_on(measured(f.behind_uC))},
                      {"equivalent_uF", if_on(f.equivalent_uF)},
                      {"time_constant_us", or_null(f.time_constant_us)},
                      {"region_uC", if_on(f.region_uC)},
                      {"region_excess_uC", if_on(f.region_excess_uC)},
                      {"first_level_mA", if_on(measured(f.first_level_mA))},
                      {"early_mA", if_on(f.early_mA)},
                      {"early_V", if_on(f.early_V)},
                      {"reset_mA", if_on(f.reset_mA)},
                      {"ramp_shape", f.ramp_shape.resolved ? json::Value(f.ramp_shape.ratio()) : json::Value()},
                      {"steady_mA", measured(f.steady_mA)},
                      {"ripple_mA", f.ripple_mA},
                      {"source_ohm", measured(f.source_ohm)},
                      {"low_mA", f.low_mA},
                      {"high_mA", f.high_mA},
                      {"sustained_mA", f.sustained_mA},
                      {"plateaus", plateaus},
                      {"active_ms", f.active_ms},
                      {"dense_ms", f.dense_ms},
                      {"blips", f.blips},
                      {"blip_peak_mA", f.blip_peak_mA},
                      {"chirp_s", or_null(f.chirp_s)},
                      {"restarts_s", restarts},
                      {"period_s", or_null(f.period_s)},
                      {"correlation", f.correlation},
                      {"drop_count", f.drop_count},
                      {"drops", drops},
                      {"collapses", collapses}};
}

json::Object to_json(const TwinReport& report) {
  json::Object out{{"says", report.text()}, {"alike", report.alike}, {"distance", report.beside.distance},
                   {"repeatability", report.repeatability}, {"repeatability_assumed", report.assumed},
                   {"times_repeatability", report.times}};
  out["parts_s"] = report.beside.parts_s ? json::Value(*report.beside.parts_s) : json::Value(nullptr);
  out["stage"] = report.beside.parts_s ? json::Value(report.beside.stage) : json::Value(nullptr);
  json::Array differences;
  for (const std::string& difference : report.beside.differences) differences.emplace_back(difference);
  out["differences"] = std::move(differences);
  return out;
}

}  // namespace steadycell::supply
