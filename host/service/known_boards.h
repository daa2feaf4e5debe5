#pragma once
#include <optional>
#include <string>
#include <vector>

#include "base/json.h"
#include "measure/board_check.h"

// What the bench root knows of its fixture boards. Not for other rooms.
namespace steadycell::service {

// The last board check in the log, and what it is worth today.
struct KnownCheck {
  std::string time;  // UTC, ISO 8601
  bool passed = false, stale = false;
  std::string file, sha256;  // the report, below the bench root
  // For evidence: "board check of 2026-03-01T10:00:00Z passed (boards/..., SHA-256 ...)".
  std::string quote() const;
  bool worth_a_warning() const { return !passed || stale; }
};
inline constexpr int kCheckDays = 30;  // older is stale; common practice, no source

// check_bench, so that nothing is measured that cannot be kept; an empty name means no bench.
Result<void> ensure_bench(const std::string& bench);

// For a job that only quotes the bench: refuses what cannot be one, before any power. One that cannot be read is
// left to check_quote.
Result<void> check_bench_to_quote(const std::string& bench);

// Nothing: this board was never checked on this bench. Errors are those of the log.
Result<std::optional<KnownCheck>> last_check(const std::string& bench, const std::string& board_uuid);

// One line for people and for the capture's journal, warning where there is something to warn of; empty without a bench or before its
// folder exists.
Result<std::string> check_quote(const std::string& bench, const std::string& board_uuid);

// Counts in the log of this bench the contact checks that found a chip: two on one seating count twice, a seating without
// one not at all.
Result<std::uint64_t> insertions(const std::string& bench, const std::string& board_uuid);
Result<void> log_contacts(const std::string& bench, const std::string& board_uuid, const json::Object& result);

// Writes boards/UUID/check-TIME.json and the log line; adds "report", "report_sha256" and "insertions" to `report`.
Result<void> keep_check(const std::string& bench, const std::string& board_uuid, json::Object& report);

// Exposed for tests: whether `then` lies more than kCheckDays before `now` or behind it (both ISO 8601,
// UTC); what cannot be read is stale.
bool is_stale(const std::string& then, const std::string& now);

}  // namespace steadycell::service
