#include "service/results.h"

#include "files/file_system.h"
#include "measure/trace_file.h"
#include "supply/diagnosis.h"
#include "supply/report.h"

namespace steadycell::service {

json::Array timings_json(const passes::StageTimes& times) {
  json::Array stages;
  for (const auto& stage : times.stages()) stages.push_back(json::Object{{"stage", stage.name}, {"seconds", stage.seconds()}});
  return stages;
}

json::Array to_json(const std::vector<std::string>& texts) {
  json::Array array;
  for (const std::string& text : texts) array.emplace_back(text);
  return array;
}

json::Object to_json(const chip::Identification& chip) {
  const Geometry& g = chip.geometry;
  json::Object object{{"maker", chip.maker}, {"model", chip.model.empty() ? json::Value(nullptr) : json::Value(chip.model)},
                      {"page_bytes", g.page_bytes}, {"spare_bytes", g.spare_bytes}, {"pages_per_block", g.pages_per_block},
                      {"blocks", g.blocks}, {"luns", g.luns}, {"planes", g.planes}, {"bits_per_cell", g.bits_per_cell},
                      {"total_bytes", g.total_bytes()}, {"bus_bits", g.bus_bits}, {"source", chip.source}};
  object["ecc_need"] = chip.ecc_need ? json::Value(json::Object{{"bits", chip.ecc_need->bits}, {"per_bytes", chip.ecc_need->per_bytes}})
                                     : json::Value(nullptr);
  object["notes"] = to_json(chip.notes);
  return object;
}

json::Object to_json(const contact::Verdict& verdict) {
  json::Array pins;
  for (const unsigned pin : verdict.pins) pins.emplace_back(pin);
  return {{"verdict", contact::to_text(verdict.seating)},
          {"seated", verdict.seating == contact::Seating::seated},
          {"power_allowed", verdict.may_power()},
          {"text", verdict.sentence},
          {"pins", std::move(pins)},
          {"map", verdict.map.name},
          {"chip_enables", verdict.map.chip_enables},
          {"bus_bits", verdict.map.bus_bits},
          {"notes", to_json(verdict.notes)}};
}

json::Object to_json(const image::VerdictCounts& counts) {
  json::Object object;
  for (std::size_t i = 0; i < image::kVerdicts; ++i) object[image::name_of(static_cast<image::Verdict>(i))] = counts.pages[i];
  return object;
}

Result<std::optional<NumberRange>> number_range(json::Reader& params, std::string_view key) {
  const auto array = params.array_or_null(key);
  if (!array) return failure(array.error());
  if (!*array) return std::optional<NumberRange>();
  boost::system::error_code code;
  std::uint32_t numbers[2] = {0, 0};
  for (std::size_t i = 0; i < 2 && (*array)->size() == 2 && !code; ++i) numbers[i] = (**array)[i].to_number<std::uint32_t>(code);
  if ((*array)->size() != 2 || code || numbers[0] > numbers[1])
    return failure(ErrorCode::wrong_usage, "\"{}\" should be the first and the last number of a range", params.path_of(key));
  return std::optional<NumberRange>(NumberRange{numbers[0], numbers[1]});
}

Result<json::Object> diagnose_files(const TraceFiles& paths, const supply::TraceHeader& known) {
  files::FileSystem& system = files::posix();
  const auto trace = measure::load_trace(system, paths.trace, known);
  if (!trace) return failure(trace.error());
  std::optional<measure::LoadedTrace> burst;
  if (!paths.burst.empty()) {
    auto loaded = measure::load_trace(system, paths.burst, known);
    if (!loaded) return failure(loaded.error());
    burst.emplace(std::move(*loaded));
  }
  std::vector<supply::Features> runs;
  for (const std::string& path : paths.twin) {
    auto loaded = measure::load_trace(system, path, known);
    if (!loaded) return failure(loaded.error());
    runs.push_back(std::move(loaded->features));
  }
  const auto beside = supply::compare(trace->features, runs);
  const supply::Features* twin = beside ? &runs[beside->run] : runs.empty() ? nullptr : &runs.front();
  supply::Settings settings;
  settings.rail = known.rail;
  settings.limit_mA = known.limit_mA;
  const auto diagnoses = supply::diagnose(trace->features, trace->header, settings, burst ? &burst->features : nullptr, twin);
  json::Object result{{"samples", trace->samples}};
  result["diagnoses"] = supply::to_json(diagnoses);
  result["features"] = supply::to_json(trace->features);
  result["twin"] = beside ? json::Value(supply::to_json(*beside)) : json::Value(nullptr);
  const auto& cold = trace->header.cold;
  const auto& cold_twin = trace->header.cold_twin;
  result["check_before_power"] =
      cold ? json::Value(supply::to_json(supply::judge_cold(*cold, cold_twin ? &*cold_twin : nullptr))) : json::Value(nullptr);
  result["broke_off_s"] = trace->header.broke_off_s ? json::Value(*trace->header.broke_off_s) : json::Value(nullptr);
  result["notes"] = to_json(paths.notes);
  return result;
}

}  // namespace steadycell::service
