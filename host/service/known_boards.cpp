#include "service/known_boards.h"

#include <chrono>
#include <cstdio>
#include <filesystem>
#include <functional>

#include "base/sha256.h"
#include "base/text.h"
#include "files/atomic.h"
#include "passes/clock.h"
#include "records/bench_root.h"
#include "service/bench.h"

namespace steadycell::service {
namespace {

constexpr std::string_view kCheckKind = "board.check", kContactsKind = "socket.check";

std::string text_of(const json::Object& facts, std::string_view key) {
  const json::Value* value = facts.if_contains(key);
  return value && value->is_string() ? std::string(value->get_string()) : std::string();
}

std::optional<std::chrono::sys_seconds> moment(const std::string& iso) {
  int year = 0;
  unsigned month = 0, day = 0, hour = 0, minute = 0, second = 0;
  if (std::sscanf(iso.c_str(), "%4d-%2u-%2uT%2u:%2u:%2u", &year, &month, &day, &hour, &minute, &second) != 6) return std::nullopt;
  const std::chrono::year_month_day date{std::chrono::year(year), std::chrono::month(month), std::chrono::day(day)};
  if (!date.ok()) return std::nullopt;
  return std::chrono::sys_days(date) + std::chrono::hours(hour) + std::chrono::minutes(minute) + std::chrono::seconds(second);
}

// "2026-03-01T10:00:00.123Z" -> "20260301T100000"
std::string compact(const std::string& iso) {
  std::string out;
  for (const char c : iso.substr(0, 19))
    if (c != '-' && c != ':') out += c;
  return out;
}

Result<void> for_each_of(const std::string& bench, const std::string& board_uuid, std::string_view kind,
                         const std::function<void(const records::LogEntry&)>& sink) {
  const auto root = records::BenchRoot::open(files::posix(), bench);
  if (!root) return failure(root.error());
  return root->read_log([&](const records::LogEntry& entry) {
    if (entry.kind == kind && text_of(entry.facts, "board") == board_uuid) sink(entry);
  });
}

}  // namespace

bool is_stale(const std::string& then, const std::string& now) {
  const auto from = moment(then), to = moment(now);
  // A check of tomorrow tells that one of the two clocks was wrong.
  return !from || !to || *to - *from > std::chrono::days(kCheckDays) || *from - *to > std::chrono::days(1);
}

Result<void> ensure_bench(const std::string& bench) {
  return bench.empty() ? Result<void>() : check_bench(bench);
}

Result<void> check_bench_to_quote(const std::string& bench) {
  std::error_code ignored;
  if (bench.empty() || !std::filesystem::exists(bench, ignored) || std::filesystem::is_directory(bench, ignored))
    return {};
  return failure(Error(ErrorCode::wrong_usage, fmt::format("the bench {} is no folder", printable(bench)))
                     .keeping("nothing got power")
                     .advising("name the bench folder with --bench, or one that is not there yet"));
}

std::string KnownCheck::quote() const {
  return fmt::format("board check of {} {}{} ({}, SHA-256 {})", time, passed ? "passed" : "FAILED",
                     stale ? fmt::format(", more than {} days ago", kCheckDays) : "", file, sha256);
}

Result<std::optional<KnownCheck>> last_check(const std::string& bench, const std::string& board_uuid) {
  std::optional<KnownCheck> last;
  const std::string now = passes::system_clock().wall_time();
  const auto read = for_each_of(bench, board_uuid, kCheckKind, [&](const records::LogEntry& entry) {
    const json::Value* passed = entry.facts.if_contains("passed");
    last = KnownCheck{.time = text_of(entry.facts, "checked"),
                      .passed = passed && passed->is_bool() && passed->get_bool(),
                      .stale = is_stale(text_of(entry.facts, "checked"), now),
                      .file = text_of(entry.facts, "report"),
                      .sha256 = text_of(entry.facts, "sha256")};
  });
  if (!read) return failure(read.error());
  return last;
}

Result<std::string> check_quote(const std::string& bench, const std::string& board_uuid) {
  std::error_code ignored;
  if (bench.empty() || !std::filesystem::exists(bench, ignored)) return std::string();
  const auto known = last_check(bench, board_uuid);
  // A bench that cannot be read is worth a word, not the reading of a weak chip.
  if (!known) return fmt::format("warning: what this bench knows of board {} cannot be read: {}", board_uuid, known.error().what());
  if (!*known) return fmt::format("warning: board {} was never checked on this bench: run board check", board_uuid);
  if (!(*known)->worth_a_warning()) return (*known)->quote();
  return fmt::format("warning: {}: run board check again, the newest check counts", (*known)->quote());
}

Result<std::uint64_t> insertions(const std::string& bench, const std::string& board_uuid) {
  std::uint64_t count = 0;
  const auto read = for_each_of(bench, board_uuid, kContactsKind,
                                [&](const records::LogEntry& entry) { count += text_of(entry.facts, "verdict") == "empty" ? 0 : 1; });
  if (!read) return failure(read.error());
  return count;
}

Result<void> log_contacts(const std::string& bench, const std::string& board_uuid, const json::Object& result) {
  auto root = records::BenchRoot::open(files::posix(), bench);
  if (!root) return failure(root.error());
  const auto logged = root->append(kContactsKind, {{"board", board_uuid}, {"verdict", result.at("verdict")}, {"pins", result.at("pins")}});
  if (!logged) return failure(logged.error());
  return {};
}

Result<void> keep_check(const std::string& bench, const std::string& board_uuid, json::Object& report) {
  auto root = records::BenchRoot::open(files::posix(), bench);
  if (!root) return failure(root.error());
  const auto count = insertions(bench, board_uuid);
  if (!count) return failure(count.error());
  report["insertions"] = *count;
  const auto folder = root->board_folder(board_uuid);
  if (!folder) return failure(folder.error());
  const std::string stem = "check-" + compact(text_of(report, "time"));
  const std::string text = json::pretty(report);
  std::string name;
  for (int n = 0;; ++n) {  // two checks within one second
    name = n == 0 ? stem + ".json" : fmt::format("{}-{}.json", stem, n);
    const auto written = files::write_whole(files::posix(), files::join(*folder, name), as_bytes(text));
    if (written) break;
    if (written.error().code() != ErrorCode::already_exists) return failure(written.error());
  }
  const std::string file = fmt::format("boards/{}/{}", board_uuid, name), hash = to_text(Sha256::of(as_bytes(text)));
  const auto logged = root->append(
      kCheckKind,
      {{"board", board_uuid}, {"checked", report.at("time")}, {"passed", report.at("passed")}, {"report", file}, {"sha256", hash}});
  if (!logged) return failure(logged.error());
  report["report"] = files::join(bench, file);
  report["report_sha256"] = hash;
  return {};
}

}  // namespace steadycell::service
