#include "base/text.h"
#include "files/atomic.h"
#include "measure/trace_file.h"
#include "measure/twins.h"
#include "service/bench.h"
#include "service/methods.h"
#include "service/results.h"
#include "service/supply_job.h"
#include "supply/diagnosis.h"
#include "supply/plot.h"
#include "supply/twin.h"

namespace steadycell::service {
namespace {

// What the user knows about a trace better than its header.
Result<supply::TraceHeader> known_about(json::Reader& params) {
  const auto rail = params.text_or("rail", "");
  const auto limit = params.number_or("limit_mA", 0, 5000, 0);
  if (!rail) return failure(rail.error());
  if (!limit) return failure(limit.error());
  supply::TraceHeader known;
  if (!rail->empty()) {
    known.rail = supply::parse_rail(*rail);
    if (!known.rail) return failure(ErrorCode::wrong_usage, "rail \"{}\" is not known", printable(*rail));
  }
  if (*limit > 0) known.limit_mA = static_cast<double>(*limit);
  return known;
}

Result<TraceFiles> trace_files(json::Reader& params, const PatientNames& names) {
  auto trace = params.text("trace"), burst = params.text_or("burst", ""), twin = params.text_or("twin", "");
  for (const auto* text : {&trace, &burst, &twin})
    if (!*text) return failure(text->error());
  TraceFiles out{.trace = std::move(*trace), .burst = std::move(*burst), .twin = {}, .notes = {}, .twin_is_kept = false};
  if (!twin->empty()) {
    out.twin.push_back(std::move(*twin));
    return out;
  }
  auto runs = twin_runs(names);
  if (!runs) return failure(runs.error());
  if (!names.board_number.empty() && runs->runs.empty())
    return failure(
        Error(ErrorCode::not_found, fmt::format("no twin of board number {} is kept on this bench{}", printable(names.board_number),
                                                runs->notes.empty() ? "" : ": " + runs->notes.front()))
            .advising("keep one with steadycell supply keep-twin, or leave --board-number away"));
  out.twin = std::move(runs->runs);
  out.twin_is_kept = true;
  out.notes = std::move(runs->notes);
  return out;
}

}  // namespace

Result<json::Object> supply_diagnose(json::Reader& params, const JobHooks&) {
  const auto names = patient_names(params);
  if (!names) return failure(names.error());
  const auto known = known_about(params);
  if (!known) return failure(known.error());
  const auto paths = trace_files(params, *names);
  if (!paths) return failure(paths.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  auto result = diagnose_files(*paths, *known);
  if (result) (*result)["trace"] = paths->trace;
  return result;
}

Result<json::Object> supply_keep_twin(json::Reader& params, const JobHooks&) {
  const auto names = patient_names(params);
  if (!names) return failure(names.error());
  const auto trace = params.text("trace");
  if (!trace) return failure(trace.error());
  const auto insist = params.boolean_or("keep_despite_diagnosis", false);
  if (!insist) return failure(insist.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  // A twin that is none would mislead every later comparison.
  const auto loaded = measure::load_trace(files::posix(), *trace, {});
  if (!loaded) return failure(loaded.error());
  if (!loaded->features.t_on_s)
    return failure(Error(ErrorCode::bad_input_file, fmt::format("{} does not show its switch-on", printable(*trace)))
                       .advising("record the healthy board from before its switch-on"));
  const auto likely = supply::diagnose(loaded->features, loaded->header, {}, nullptr, nullptr).front();
  const bool healthy = likely.fault == supply::Fault::healthy || likely.fault == supply::Fault::socket_ok;
  if (!healthy && !*insist)
    return failure(Error(ErrorCode::wrong_usage, fmt::format("{} does not look like a working board: {} ({})", printable(*trace),
                                                             supply::words_for(likely.fault), supply::percent(likely.confidence)))
                       .keeping("nothing was kept")
                       .advising("keep the power-up of a working board; if you know better, add --keep-despite-diagnosis"));
  auto bench = open_bench(names->bench);
  if (!bench) return failure(bench.error());
  const auto twins = bench->twins_folder();
  if (!twins) return failure(twins.error());
  const auto kept = measure::keep_twin(files::posix(), *twins, names->board_number, names->controller, *trace);
  if (!kept) return failure(kept.error());
  const auto logged = bench->append("twin.kept", {{"board_number", kept->board_number},
                                                  {"controller", kept->controller},
                                                  {"trace", *trace},
                                                  {"kept_as", kept->runs.back()},
                                                  {"diagnosis", supply::key_of(likely.fault)},
                                                  {"user_insisted", *insist}});
  if (!logged) return failure(Error(logged.error()).keeping("the twin is kept"));
  json::Object result{
      {"twin", kept->folder}, {"board_number", kept->board_number}, {"controller", kept->controller}, {"runs", kept->runs.size()}};
  json::Array notes;
  if (!healthy)
    notes.emplace_back(fmt::format("kept on the user's word although this trace looks like: {}", supply::words_for(likely.fault)));
  if (loaded->header.broke_off_s) notes.emplace_back("this recording breaks off: only what it shows can be compared");
  if (kept->runs.size() == 1) notes.emplace_back("one run: keep a second one, so that it is known what two runs of this board differ by");
  result["notes"] = std::move(notes);
  return result;
}

// A run as it tells which one it is; a file that cannot be read is named all the same, since it may be the one to drop.
json::Object run_json(const std::string& path) {
  json::Object run{{"run", measure::number_of_run(path)}, {"file", path}};
  const auto loaded = measure::load_trace(files::posix(), path, {});
  run["error"] = loaded ? json::Value(nullptr) : json::Value(loaded.error().text());
  if (!loaded) return run;
  const auto likely = supply::diagnose(loaded->features, loaded->header, {}, nullptr, nullptr).front();
  run["samples"] = loaded->samples;
  run["seconds"] = loaded->features.duration_s;
  run["fault"] = supply::key_of(likely.fault);
  run["says"] = supply::words_for(likely.fault);
  run["confidence"] = likely.confidence;
  return run;
}

Result<json::Object> supply_drop_twin(json::Reader& params, const JobHooks&) {
  const auto names = patient_names(params);
  if (!names) return failure(names.error());
  const auto number = params.number_or("run", 1, 1000, 0);
  if (!number) return failure(number.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  auto bench = open_bench(names->bench);
  if (!bench) return failure(bench.error());
  const auto twins = bench->twins_folder();
  if (!twins) return failure(twins.error());
  const auto found = measure::find_twin(files::posix(), *twins, names->board_number, names->controller);
  if (!found) return failure(found.error());
  if (!found->twin)
    return failure(
        Error(ErrorCode::not_found, fmt::format("no twin of board number {} is kept on this bench", printable(names->board_number)))
            .advising("check number and controller"));
  const measure::StoredTwin& twin = *found->twin;
  json::Object result{{"twin", twin.folder}, {"board_number", twin.board_number}, {"controller", twin.controller}, {"dropped", nullptr}};
  json::Array runs;
  for (const std::string& path : twin.runs)
    if (*number == 0 || measure::number_of_run(path) == static_cast<int>(*number)) runs.push_back(run_json(path));
  if (*number > 0) {
    const auto moved = measure::drop_run(files::posix(), twin, static_cast<int>(*number));
    if (!moved) return failure(moved.error());
    result["dropped"] = *moved;
    const auto logged = bench->append(
        "twin.run_dropped", {{"board_number", twin.board_number}, {"controller", twin.controller}, {"run", *number}, {"now", *moved}});
    if (!logged) return failure(Error(logged.error()).keeping("the run is dropped"));
  }
  result["runs"] = std::move(runs);
  result["runs_kept"] = twin.runs.size() - (*number > 0 ? 1 : 0);
  result["notes"] = to_json(found->damaged);
  return result;
}

Result<json::Object> supply_plot(json::Reader& params, const JobHooks&) {
  const auto names = patient_names(params);
  if (!names) return failure(names.error());
  const auto known = known_about(params);
  if (!known) return failure(known.error());
  const auto paths = trace_files(params, *names);
  if (!paths) return failure(paths.error());
  const auto to = params.text("to");
  if (!to) return failure(to.error());
  if (const auto done = params.finish(); !done) return failure(done.error());

  files::FileSystem& system = files::posix();
  const auto trace = measure::load_trace(system, paths->trace, *known);
  if (!trace) return failure(trace.error());
  std::optional<measure::LoadedTrace> burst;
  if (!paths->burst.empty()) {
    auto loaded = measure::load_trace(system, paths->burst, *known);
    if (!loaded) return failure(loaded.error());
    burst.emplace(std::move(*loaded));
  }
  const auto twins = load_twins(*paths, *trace, *known);
  if (!twins) return failure(twins.error());
  const auto& beside = twins->beside;
  supply::Settings settings;
  settings.rail = known->rail;
  settings.limit_mA = known->limit_mA;
  supply::PlotInput input;
  input.title = paths->trace;
  input.trace = &trace->features;
  input.header = trace->header;
  if (known->limit_mA) input.header.limit_mA = known->limit_mA;
  input.twin = twins->twin();
  input.diagnosis = supply::diagnose(trace->features, trace->header, settings, burst ? &burst->features : nullptr, input.twin).front();
  if (trace->features.t_on_s) {
    constexpr double kBefore = 1e-3, kBehind = 9e-3;
    const auto& finest = burst && burst->features.t_on_s ? *burst : *trace;
    const std::string& file = burst && burst->features.t_on_s ? paths->burst : paths->trace;
    const double on = *finest.features.t_on_s;
    auto samples = measure::load_samples(system, file, on - kBefore, on + kBehind);
    if (!samples) return failure(samples.error());
    input.switch_on = std::move(*samples);
    input.switch_on_s = on;
  }
  if (beside) input.parts_s = beside->beside.parts_s;
  const std::string drawing = supply::plot_svg(input);
  if (const auto written = files::write_whole(system, *to, as_bytes(drawing)); !written) return failure(written.error());
  return json::Object{{"trace", paths->trace},
                      {"to", *to},
                      {"fault", std::string(supply::key_of(input.diagnosis.fault))},
                      {"says", supply::words_for(input.diagnosis.fault)},
                      {"confidence", input.diagnosis.confidence},
                      {"bytes", drawing.size()},
                      {"notes", to_json(twins->notes)}};
}

}  // namespace steadycell::service
