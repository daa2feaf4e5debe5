#include "service/results.h"

#include "files/file_system.h"
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

namespace {

// Why a run is no twin of this trace; empty where it may be one. `rail` is the trace's.
std::string no_twin(const measure::LoadedTrace& run, std::optional<supply::Rail> rail, bool is_kept) {
  if (rail && run.header.rail && *run.header.rail != *rail)
    return fmt::format("it was recorded on {}, the trace on {}", supply::name_of(*run.header.rail), supply::name_of(*rail));
  if (!run.features.t_on_s) return "it does not show its switch-on";
  if (is_kept) return {};
  supply::Settings settings;
  settings.rail = run.header.rail ? run.header.rail : rail;
  const auto likely = supply::diagnose(run.features, run.header, settings, nullptr, nullptr).front();
  if (likely.fault == supply::Fault::healthy || likely.fault == supply::Fault::socket_ok) return {};
  return fmt::format("it does not look like a working board: {} ({})", supply::words_for(likely.fault), supply::percent(likely.confidence));
}

}  // namespace

Result<LoadedTwins> load_twins(const TraceFiles& paths, const measure::LoadedTrace& trace, const supply::TraceHeader& known) {
  LoadedTwins out;
  out.notes = paths.notes;
  const auto rail = known.rail ? known.rail : trace.header.rail;
  for (const std::string& path : paths.twin) {
    auto loaded = measure::load_trace(files::posix(), path, {});  // its own header, not what the user says about the trace
    if (!loaded) return failure(loaded.error());
    if (const std::string why = no_twin(*loaded, rail, paths.twin_is_kept); !why.empty())
      out.notes.push_back(fmt::format("not compared with the twin {}: {}", printable(path), why));
    else
      out.runs.push_back(std::move(loaded->features));
  }
  out.beside = supply::compare(trace.features, out.runs);
  if (!out.beside && !out.runs.empty())
    out.notes.push_back(fmt::format("not laid beside the twin: {}",
                                    !trace.features.t_on_s ? "this trace does not show its switch-on, where the two are aligned"
                                                           : "the two share too little: one is too short, or sampled too slowly"));
  return out;
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
  const auto twins = load_twins(paths, *trace, known);
  if (!twins) return failure(twins.error());
  supply::Settings settings;
  settings.rail = known.rail;
  settings.limit_mA = known.limit_mA;
  const auto diagnoses = supply::diagnose(trace->features, trace->header, settings, burst ? &burst->features : nullptr, twins->twin());
  json::Object result{{"samples", trace->samples}};
  result["diagnoses"] = supply::to_json(diagnoses);
  result["features"] = supply::to_json(trace->features);
  result["twin"] = twins->beside ? json::Value(supply::to_json(*twins->beside)) : json::Value(nullptr);
  const auto& cold = trace->header.cold;
  const auto& cold_twin = trace->header.cold_twin;
  result["check_before_power"] =
      cold ? json::Value(supply::to_json(supply::judge_cold(*cold, cold_twin ? &*cold_twin : nullptr))) : json::Value(nullptr);
  result["broke_off_s"] = trace->header.broke_off_s ? json::Value(*trace->header.broke_off_s) : json::Value(nullptr);
  result["notes"] = to_json(twins->notes);
  return result;
}

}  // namespace steadycell::service
