#include "service/supply_job.h"

#include "base/text.h"
#include "files/atomic.h"
#include "measure/cold.h"
#include "measure/record.h"
#include "measure/twins.h"
#include "service/bench.h"
#include "service/methods.h"
#include "service/results.h"

namespace steadycell::service {
namespace {

namespace asio = boost::asio;

constexpr std::uint16_t kDoubtful_mA = 100, kClean_mA = 500, kMost_mA = 900;
constexpr std::size_t kLongestName = 200;
constexpr std::uint64_t kMostCold = 1 << 20;

Result<measure::FoundTwin> twin_of(const PatientNames& names) {
  if (names.board_number.empty()) return measure::FoundTwin();
  const auto bench = open_bench(names.bench);
  if (!bench) return failure(bench.error());
  const auto twins = bench->twins_folder();
  if (!twins) return failure(twins.error());
  return measure::find_twin(files::posix(), *twins, names.board_number, names.controller);
}

// Twins that cannot be read are left out, and said.
std::vector<std::string> notes_on(const std::vector<std::string>& damaged) {
  std::vector<std::string> out;
  out.reserve(damaged.size());
  for (const std::string& why : damaged) out.push_back("a twin of this bench was left out: " + why);
  return out;
}

// What the twin read before power, if that was kept.
struct TwinCold {
  std::optional<supply::ColdReadings> readings;
  std::vector<std::string> notes;
};
Result<TwinCold> twin_cold(const PatientNames& names) {
  const auto found = twin_of(names);
  if (!found) return failure(found.error());
  TwinCold out{.readings = {}, .notes = notes_on(found->damaged)};
  if (!found->twin || found->twin->cold.empty()) return out;
  const std::string& path = found->twin->cold;
  const auto text = files::read_text(files::posix(), path, kMostCold);
  if (!text) return failure(text.error());
  const auto value = json::parse(*text);
  if (!value) return failure(Error(value.error()).during("reading {}", printable(path)));
  const auto readings = supply::cold_readings_of(*value);
  if (!readings) return failure(Error(readings.error()).during("reading {}", printable(path)));
  out.readings = *readings;
  return out;
}

struct Cold {
  json::Object report;  // null verdict where the board cannot
  std::optional<supply::ColdCheck> check;
  std::optional<supply::ColdReadings> readings, twin;
};
asio::awaitable<Result<Cold>> check_cold(board::BoardClient& board, const PatientNames& names) {
  const auto twin = twin_cold(names);
  if (!twin) co_return failure(twin.error());
  const auto readings = co_await measure::measure_cold(board);
  if (!readings) co_return failure(readings.error());
  Cold out;
  out.check = supply::judge_cold(*readings, twin->readings ? &*twin->readings : nullptr);
  out.readings = *readings;
  out.twin = twin->readings;
  out.report = supply::to_json(*out.check);
  out.report["readings"] = supply::to_json(*readings);
  out.report["with_twin"] = twin->readings.has_value();
  out.report["notes"] = to_json(twin->notes);
  co_return out;
}

Error refusal(const supply::ColdCheck& check) {
  return Error(ErrorCode::measured_short,
               fmt::format("not powered: {}", check.findings.empty() ? std::string("a short was measured") : check.findings.front()))
      .keeping("nothing was powered, no file was made");
}

// How often this patient was powered before, as the log tells.
Result<std::uint64_t> power_ups_of(const records::BenchRoot& bench, const std::string& patient) {
  std::uint64_t count = 0;
  const auto read = bench.read_log([&](const records::LogEntry& entry) {
    const json::Value* name = entry.facts.if_contains("patient");
    if (entry.kind == "supply.power_up" && name && name->is_string() && name->get_string() == patient) ++count;
  });
  if (!read) return failure(read.error());
  return count;
}

// The limit, and why it is not what was asked for.
Result<std::uint16_t> limit_for(const SupplyRequest& request, const std::optional<supply::ColdCheck>& check) {
  const std::uint16_t allowed = check && check->verdict == supply::ColdVerdict::clean ? kClean_mA : kDoubtful_mA;
  if (request.limit_mA == 0) return allowed;
  if (check && check->verdict == supply::ColdVerdict::shorted && request.limit_mA > kDoubtful_mA)
    return failure(Error(ErrorCode::measured_short, fmt::format("into a measured short {} mA is the most", kDoubtful_mA))
                       .keeping("nothing was powered, no file was made")
                       .advising("leave --limit away; your word powers a short at 100 mA, never at more"));
  if (request.limit_mA <= allowed || request.despite_short) return request.limit_mA;
  if (allowed == kClean_mA) return request.limit_mA;  // 900 mA asked for, and nothing speaks against it
  return failure(
      Error(ErrorCode::measured_short, fmt::format("a limit of {} mA was asked for, and the check before power is {}", request.limit_mA,
                                                   check ? std::string(supply::name_of(check->verdict)) : "missing"))
          .keeping("nothing was powered, no file was made")
          .advising(fmt::format("leave --limit away, and it gets {} mA; or, when you know why the check says so, add "
                                "--power-despite-measured-short: it is your word for this limit, too",
                                kDoubtful_mA)));
}

}  // namespace

Result<PatientNames> patient_names(json::Reader& params) {
  PatientNames out;
  for (const auto& [key, into] :
       {std::pair{"bench", &out.bench}, {"patient", &out.patient}, {"board_number", &out.board_number}, {"controller", &out.controller}}) {
    auto text = params.text_or(key, "");
    if (!text) return failure(text.error());
    if (into != &out.bench && text->size() > kLongestName)
      return failure(ErrorCode::wrong_usage, "\"{}\" has {} bytes, more than {}", key, text->size(), kLongestName);
    *into = std::move(*text);
  }
  return out;
}

Result<SupplyRequest> supply_request(json::Reader& params) {
  SupplyRequest out;
  auto names = patient_names(params);
  if (!names) return failure(names.error());
  out.names = std::move(*names);
  auto to = params.text("to"), burst = params.text_or("burst", "");
  if (!to) return failure(to.error());
  if (!burst) return failure(burst.error());
  out.to = std::move(*to);
  out.burst = std::move(*burst);
  const auto seconds = params.number_or("seconds", 1, 86400, 10), limit = params.number_or("limit_mA", 10, kMost_mA, 0);
  const auto despite = params.boolean_or("power_despite_measured_short", false), whole = params.boolean_or("whole", false);
  if (!seconds) return failure(seconds.error());
  if (!limit) return failure(limit.error());
  if (!despite) return failure(despite.error());
  if (!whole) return failure(whole.error());
  out.seconds = *seconds;
  out.limit_mA = static_cast<std::uint16_t>(*limit);
  out.despite_short = *despite;
  out.whole = *whole;
  for (const std::string* path : {&out.to, &out.burst}) {
    if (path->empty()) continue;
    if (const auto free = files::check_free(files::posix(), *path); !free) return failure(free.error());
  }
  if (out.to == out.burst) return failure(ErrorCode::wrong_usage, "the trace and its burst need two names, both are {}", printable(out.to));
  return out;
}

asio::awaitable<Result<json::Object>> cold_job(board::BoardClient& board, PatientNames names, bool keep_as_twin) {
  auto cold = co_await check_cold(board, names);
  if (!cold) co_return failure(cold.error());
  if (keep_as_twin) {
    if (cold->check->verdict != supply::ColdVerdict::clean)
      co_return failure(Error(ErrorCode::wrong_usage,
                              fmt::format("these readings are {}: they are no healthy board's", supply::name_of(cold->check->verdict)))
                            .advising("keep the readings of a working board"));
    auto bench = open_bench(names.bench);
    if (!bench) co_return failure(bench.error());
    const auto twins = bench->twins_folder();
    if (!twins) co_return failure(twins.error());
    const auto kept =
        measure::keep_twin_cold(files::posix(), *twins, names.board_number, names.controller, cold->report.at("readings").get_object());
    if (!kept) co_return failure(kept.error());
    const auto logged = bench->append("twin.cold", {{"board_number", names.board_number},
                                                    {"controller", names.controller},
                                                    {"board", board.info().uuid},
                                                    {"file", kept->path},
                                                    {"kept", kept->is_new}});
    if (!logged) co_return failure(Error(logged.error()).keeping(kept->is_new ? "the readings are kept" : "nothing was changed"));
    cold->report["kept_as_twin"] = kept->is_new;
    if (!kept->is_new)
      cold->report["notes"].as_array().emplace_back(fmt::format(
          "not kept: this twin has readings already, and the first stay; move {} away to keep new ones", printable(kept->path)));
  }
  cold->report["board"] = board.info().uuid;
  co_return std::move(cold->report);
}

asio::awaitable<Result<json::Object>> record_job(board::BoardClient& board, SupplyRequest request, const JobHooks& hooks) {
  auto bench = open_bench(request.names.bench);
  if (!bench) co_return failure(bench.error());
  const auto before = power_ups_of(*bench, request.names.patient);
  if (!before) co_return failure(before.error());
  json::Array notes;
  Cold cold;
  if (board.info().can_port_measure) {
    auto checked = co_await check_cold(board, request.names);
    if (!checked) co_return failure(checked.error());
    cold = std::move(*checked);
    if (cold.check->verdict == supply::ColdVerdict::shorted) {
      if (!request.despite_short) co_return failure(refusal(*cold.check));
      notes.emplace_back("powered on the user's word although a short was measured");
    }
  } else {
    notes.emplace_back("this board measures nothing before power");
  }
  const auto limit = limit_for(request, cold.check);
  if (!limit) co_return failure(limit.error());
  if (*limit > kDoubtful_mA && !(cold.check && cold.check->verdict == supply::ColdVerdict::clean))
    notes.emplace_back(fmt::format("{} mA on the user's word: the check before power is not clean", *limit));

  measure::RecordOptions options;
  options.path = request.to;
  options.burst_path = request.burst;
  options.length = std::chrono::seconds(request.seconds);
  options.limit_mA = *limit;
  options.end_at_boot_loop = !request.whole;
  options.cold = cold.readings;
  options.cold_twin = cold.twin;
  options.tool = kTool;
  options.stop = hooks.stop;
  options.progress = hooks.progress;
  // Counted before it happens: a power-up whose recording fails was one, too.
  std::uint64_t log_line = 0;
  options.before_power = [&]() -> Result<void> {
    json::Object facts{{"patient", request.names.patient},
                       {"board", board.info().uuid},
                       {"power_up", *before + 1},
                       {"limit_mA", *limit},
                       {"trace", request.to},
                       {"board_number", request.names.board_number},
                       {"controller", request.names.controller}};
    facts["check_before_power"] = cold.check ? json::Value(std::string(supply::name_of(cold.check->verdict))) : json::Value(nullptr);
    facts["despite_measured_short"] = cold.check && cold.check->verdict == supply::ColdVerdict::shorted;
    facts["user_insisted"] = request.despite_short;
    const auto entry = bench->append("supply.power_up", std::move(facts));
    if (!entry) return failure(entry.error());
    log_line = entry->number;
    return {};
  };
  const auto recorded = co_await measure::record_supply(board, files::posix(), std::move(options));
  if (log_line != 0) {
    json::Object facts{{"power_up_line", log_line}, {"patient", request.names.patient}, {"trace", request.to}};
    facts["outcome"] = !recorded             ? (recorded.error().code() == ErrorCode::interrupted ? "stopped_by_user" : "failed")
                       : recorded->tripped   ? "tripped"
                       : recorded->boot_loop ? "boot_loop"
                                             : "recorded";
    if (recorded) facts["peak_mA"] = recorded->peak_mA;
    const auto entry = bench->append("supply.recorded", std::move(facts));
    if (recorded && !entry) co_return failure(Error(entry.error()).keeping("the trace is kept"));
  }
  if (!recorded) {
    // Once there is a trace, a repeat of the command would be refused, and be another power-up.
    const auto kept = files::posix().exists(request.to);
    if (log_line == 0 || !kept || !*kept) co_return failure(recorded.error());
    co_return failure(Error(recorded.error()).advising(advice_on_broken_recording(request.to)));
  }
  if (recorded->boot_loop)
    notes.emplace_back(
        "ended early: the stick starts over and over, and each start reads its memory: two periods tell all that more would (--whole would "
        "have recorded on)");

  json::Object result{{"trace", request.to},
                      {"limit_mA", *limit},
                      {"tripped", recorded->tripped},
                      {"ended_at_boot_loop", recorded->boot_loop},
                      {"peak_mA", recorded->peak_mA},
                      {"gaps", recorded->gaps},
                      {"lost_samples", recorded->lost_samples}};
  result["burst"] = request.burst.empty() ? json::Value(nullptr) : json::Value(request.burst);
  result["check_before_power"] = cold.check ? json::Value(std::move(cold.report)) : json::Value(nullptr);
  result["patient"] = request.names.patient.empty() ? json::Value(nullptr) : json::Value(request.names.patient);
  result["power_up"] = *before + 1;
  json::Array events;
  for (const supply::TraceEvent& event : recorded->events) events.push_back(json::Object{{"time_s", event.time_s}, {"text", event.text}});
  result["events"] = std::move(events);
  result["notes"] = std::move(notes);
  result["bench"] = bench->folder();
  co_return result;
}

std::string advice_on_broken_recording(std::string_view trace) {
  return fmt::format(
      "see what was recorded with: steadycell supply diagnose {}; recording again is another power-up of the patient, under another file "
      "name",
      printable(trace));
}

Result<TwinRuns> twin_runs(const PatientNames& names) {
  const auto found = twin_of(names);
  if (!found) return failure(found.error());
  return TwinRuns{.runs = found->twin ? found->twin->runs : std::vector<std::string>(), .notes = notes_on(found->damaged)};
}

}  // namespace steadycell::service
