#pragma once
#include <optional>
#include <string>
#include <vector>

#include "base/json.h"
#include "base/text.h"
#include "chip/identity.h"
#include "contact/contact.h"
#include "image/verdict.h"
#include "measure/trace_file.h"
#include "passes/stage_times.h"
#include "supply/trace.h"
#include "supply/twin.h"

// Shapes that several results share.
namespace steadycell::service {

json::Object to_json(const chip::Identification& chip);
json::Object to_json(const contact::Verdict& verdict);
json::Object to_json(const image::VerdictCounts& counts);  // the five verdicts by name
json::Array to_json(const std::vector<std::string>& texts);
json::Array timings_json(const passes::StageTimes& times);  // [{stage, seconds}]

// Two whole numbers, first and last, both included; nothing when the key is absent.
Result<std::optional<NumberRange>> number_range(json::Reader& params, std::string_view key);

// "diagnoses" and "features" of a trace on the disk; empty paths for what there is not.
struct TraceFiles {
  std::string trace, burst;
  std::vector<std::string> twin;  // runs of a healthy board of the same kind
  std::vector<std::string> notes;  // on how these were found
  bool twin_is_kept = false;       // by keep-twin, which has looked at the runs: they are used whatever they look like
};
// The runs that the trace can be laid beside, and, behind the notes on how they were found, why it cannot be laid beside the others, or
// beside any.
struct LoadedTwins {
  std::vector<supply::Features> runs;
  std::optional<supply::TwinReport> beside;
  std::vector<std::string> notes;

  const supply::Features* twin() const { return beside ? &runs[beside->run] : runs.empty() ? nullptr : &runs.front(); }
};
Result<LoadedTwins> load_twins(const TraceFiles& files, const measure::LoadedTrace& trace, const supply::TraceHeader& known);
// "twin" says how the trace lies beside the twin; null without one.
Result<json::Object> diagnose_files(const TraceFiles& files, const supply::TraceHeader& known);

}  // namespace steadycell::service
