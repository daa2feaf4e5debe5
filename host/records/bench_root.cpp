#include "records/bench_root.h"

#include <algorithm>
#include <chrono>
#include <thread>

#include "base/sha256.h"
#include "base/text.h"
#include "files/atomic.h"

namespace steadycell::records {
namespace {

using namespace std::chrono_literals;

constexpr std::string_view kHashKey = ",\"hash\":\"";
constexpr std::size_t kHashDigits = 64;
constexpr auto kPatience = 30s;
constexpr auto kLookAgain = 2ms;
constexpr int kMostTorn = 10'000;

std::string first_previous() { return std::string(kHashDigits, '0'); }

std::string hash_of(std::string_view front) { return to_text(Sha256::of(as_bytes(front))); }

// One line without its newline; nothing unless it is whole and its own hash fits.
struct ParsedLine {
  LogEntry entry;
  std::string previous;
};
std::optional<ParsedLine> parse_line(std::string_view line) {
  const std::size_t tail = kHashKey.size() + kHashDigits + 2;  // ..."}
  if (line.size() < tail || !line.ends_with("\"}")) return std::nullopt;
  const std::string_view front = line.substr(0, line.size() - tail), rest = line.substr(line.size() - tail);
  if (!rest.starts_with(kHashKey)) return std::nullopt;
  ParsedLine out;
  out.entry.hash = std::string(rest.substr(kHashKey.size(), kHashDigits));
  if (hash_of(front) != out.entry.hash) return std::nullopt;
  const auto value = json::parse(line);
  if (!value || !value->is_object()) return std::nullopt;
  json::Reader reader(*value, "");
  const auto number = reader.number("n", 1, UINT64_MAX);
  const auto time = reader.text("time"), kind = reader.text("kind"), previous = reader.text("previous");
  const auto facts = reader.object("facts");
  if (!number || !time || !kind || !previous || !facts) return std::nullopt;
  out.entry.number = *number;
  out.entry.time = *time;
  out.entry.kind = *kind;
  out.entry.facts = (*facts)->get_object();
  out.previous = *previous;
  return out;
}

// A whole line, and more behind it that no newline parts from it: not torn, but changed.
bool swallowed_a_line(std::string_view torn) {
  const std::size_t key = torn.find(kHashKey);
  if (key == std::string_view::npos) return false;
  const std::size_t end = key + kHashKey.size() + kHashDigits + 2;
  // Zeros are what a file system shows of blocks that were never written.
  const std::size_t more = torn.find_first_not_of('\0', end);
  return more != std::string_view::npos && torn[more] != '\n' && parse_line(torn.substr(0, end));
}

// flock does not wait here; the others hold it for one line and one sync.
Result<std::unique_ptr<files::Lock>> wait_for_lock(files::FileSystem& system, const std::string& path) {
  const auto until = std::chrono::steady_clock::now() + kPatience;
  for (;;) {
    auto lock = system.lock(path);
    if (lock || lock.error().code() != ErrorCode::in_use || std::chrono::steady_clock::now() > until) return lock;
    std::this_thread::sleep_for(kLookAgain);
  }
}

// Where the good part of the log ends, and the line it ends with.
struct Tail {
  std::uint64_t number = 0;
  std::string hash = first_previous();
  std::uint64_t end = 0, size = 0;  // [end, size) is torn
};
Result<Tail> read_tail(files::File& file, const std::string& path) {
  Tail out;
  const auto size = file.size();
  if (!size) return failure(size.error());
  out.size = *size;
  // The last line, a torn one behind it, and where they begin.
  const std::uint64_t from = *size - std::min<std::uint64_t>(*size, 2 * kLongestLogLine);
  Bytes bytes(*size - from);
  const auto got = file.read_at(from, bytes);
  if (!got) return failure(got.error());
  if (*got != bytes.size()) return failure(ErrorCode::storage_failed, "reading {}: it became shorter", printable(path));
  const std::string_view text = as_text(bytes);
  const auto good = [&](std::size_t end) -> bool {  // `end` is one behind a newline
    if (swallowed_a_line(text.substr(end))) return false;
    const std::size_t before = end < 2 ? std::string_view::npos : text.rfind('\n', end - 2);
    if (before == std::string_view::npos && from > 0) return false;  // its beginning is out of sight
    const std::size_t begin = before == std::string_view::npos ? 0 : before + 1;
    const auto line = parse_line(text.substr(begin, end - 1 - begin));
    if (!line) return false;
    out.number = line->entry.number;
    out.hash = line->entry.hash;
    out.end = from + end;
    return true;
  };
  const std::size_t newline = text.rfind('\n');
  if (newline != std::string_view::npos && good(newline + 1)) return out;
  // A torn line may have got its end and lost its middle; then the line before it is the last.
  const bool ended = newline != std::string_view::npos && newline + 1 == text.size();
  const std::size_t last = !ended || newline == 0 ? std::string_view::npos : text.rfind('\n', newline - 1);
  if (last != std::string_view::npos && good(last + 1)) return out;
  const bool only_one = from == 0 && (newline == std::string_view::npos || (ended && last == std::string_view::npos));
  if (only_one && !swallowed_a_line(text) && *size <= kLongestLogLine) return out;  // the first line itself
  return failure(Error(ErrorCode::file_damaged, fmt::format("the end of {} is no line of a log", printable(path)))
                     .at(path)
                     .advising("keep the file as it is and start another bench folder"));
}

// Never acknowledged, but perhaps of use to somebody.
Result<std::string> keep_torn(files::FileSystem& system, const std::string& folder, files::File& log, const Tail& tail) {
  Bytes torn(tail.size - tail.end);
  const auto got = log.read_at(tail.end, torn);
  if (!got) return failure(got.error());
  for (int n = 1; n <= kMostTorn; ++n) {
    std::string name = fmt::format("log.torn-{}", n);
    const auto kept = files::write_whole(system, files::join(folder, name), torn);
    if (!kept && kept.error().code() == ErrorCode::already_exists) continue;
    if (!kept) return failure(kept.error());
    if (const auto cut = log.truncate(tail.end); !cut) return failure(cut.error());
    return name;
  }
  return failure(ErrorCode::already_exists, "{} holds too many torn lines", printable(folder));
}

}  // namespace

Result<BenchRoot> BenchRoot::open(files::FileSystem& system, std::string folder, const passes::Clock& clock) {
  const auto made = system.make_directory(folder);
  if (made) {
    if (const auto synced = system.sync_directory(files::parent_of(folder)); !synced) return failure(synced.error());
  } else if (made.error().code() != ErrorCode::already_exists) {
    return failure(Error(made.error()).during("opening the bench folder").advising("name a folder you may write to with --bench"));
  }
  if (const auto names = system.list(folder); !names)
    return failure(Error(names.error()).during("opening the bench folder").advising("name a folder you may write to with --bench"));
  return BenchRoot(system, std::move(folder), clock);
}

Result<void> BenchRoot::check_writable() const {
  const auto told = [](Error why) {
    return failure(std::move(why)
                       .during("writing to the bench folder")
                       .advising("name a folder you may write to with --bench"));
  };
  if (const auto file = files::AtomicFile::create(*system_, files::join(folder_, "log.check")); !file)
    return told(file.error());
  const std::string log = files::join(folder_, "log.jsonl");
  const auto there = system_->exists(log);
  if (!there) return told(there.error());
  if (*there)
    if (const auto file = system_->open_write(log); !file) return told(file.error());
  return {};
}

Result<LogEntry> BenchRoot::append(std::string_view kind, json::Object facts) {
  const std::string path = files::join(folder_, "log.jsonl");
  const auto lock = wait_for_lock(*system_, path);
  if (!lock) return failure(Error(lock.error()).during("appending to the bench log"));
  auto file = system_->open_write(path);
  if (!file) return failure(Error(file.error()).during("appending to the bench log"));
  const auto tail = read_tail(**file, path);
  if (!tail) return failure(tail.error());
  if (tail->end < tail->size) {
    auto kept = keep_torn(*system_, folder_, **file, *tail);
    if (!kept) return failure(kept.error());
    facts["torn_line_kept_as"] = *kept;
  }

  LogEntry entry{.number = tail->number + 1, .time = clock_->wall_time(), .kind = std::string(kind), .facts = std::move(facts), .hash = {}};
  json::Object object{{"n", entry.number}, {"time", entry.time}, {"kind", entry.kind}};
  object["facts"] = entry.facts;
  object["previous"] = tail->hash;
  std::string line = json::text_of(std::move(object));
  line.pop_back();  // the brace
  entry.hash = hash_of(line);
  line += fmt::format("{}{}\"}}\n", kHashKey, entry.hash);
  if (line.size() > kLongestLogLine)
    return failure(ErrorCode::wrong_usage, "a log line of {} bytes is longer than {}", line.size(), kLongestLogLine);

  auto written = (*file)->write_at(tail->end, as_bytes(line));
  if (written) written = (*file)->sync();
  if (written && tail->end == 0) written = system_->sync_directory(folder_);
  if (!written) {
    // Not acknowledged, so it must not be chained to; where even this fails, the next append sees to it.
    (void)(*file)->truncate(tail->end);
    return failure(Error(written.error()).during("appending to the bench log"));
  }
  return entry;
}

Result<void> BenchRoot::read_log(const std::function<void(const LogEntry&)>& sink) const {
  const std::string path = files::join(folder_, "log.jsonl");
  const auto file = system_->open_read(path);
  if (!file && file.error().code() == ErrorCode::not_found) return {};
  if (!file) return failure(file.error());
  Bytes piece(kLongestLogLine);
  std::string text, previous = first_previous();
  std::uint64_t offset = 0, lines = 0;
  const auto damaged = [&](std::string_view how) {
    return failure(Error(ErrorCode::file_damaged, fmt::format("the bench log {}: line {} {}", printable(path), lines + 1, how))
                       .at(path)
                       .keeping("the lines before it are as they were written"));
  };
  bool torn = false;  // good only when nothing follows
  for (;;) {
    const auto got = (*file)->read_at(offset, piece);
    if (!got) return failure(got.error());
    if (*got == 0) return {};  // what is left in `text` is a line being written, or torn
    offset += *got;
    text += as_text(ByteSpan(piece).first(*got));
    std::size_t begin = 0;
    for (std::size_t newline; (newline = text.find('\n', begin)) != std::string::npos; begin = newline + 1) {
      if (torn) return damaged("is not what was written");
      const auto line = parse_line(std::string_view(text).substr(begin, newline - begin));
      if (!line) {
        torn = true;
        if (swallowed_a_line(std::string_view(text).substr(begin))) return damaged("is not what was written");
        continue;
      }
      if (line->entry.number != lines + 1 || line->previous != previous) return damaged("does not follow the one before");
      ++lines;
      previous = line->entry.hash;
      sink(line->entry);
    }
    text.erase(0, begin);
    if ((torn && !text.empty()) || text.size() > kLongestLogLine) return damaged("is not what was written");
  }
}

Result<std::string> BenchRoot::make(const std::string& parent, const std::string& name) const {
  std::string path = files::join(parent, name);
  const auto made = system_->make_directory(path);
  if (!made && made.error().code() != ErrorCode::already_exists) return failure(made.error());
  if (made)
    if (const auto synced = system_->sync_directory(parent); !synced) return failure(synced.error());
  return path;
}

Result<std::string> BenchRoot::board_folder(const std::string& uuid) const {
  if (!safe_name(uuid)) return failure(ErrorCode::bad_name, "\"{}\" is no board's UUID", printable(uuid));
  auto boards = make(folder_, "boards");
  if (!boards) return boards;
  return make(*boards, uuid);
}

Result<std::string> BenchRoot::twins_folder() const { return make(folder_, "twins"); }

}  // namespace steadycell::records
