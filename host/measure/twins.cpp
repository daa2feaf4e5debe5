#include "measure/twins.h"

#include <algorithm>
#include <cctype>

#include "base/sha256.h"
#include "base/text.h"
#include "files/atomic.h"
#include "measure/trace_file.h"

namespace steadycell::measure {
namespace {

constexpr std::uint64_t kMostTrace = 64 << 20, kMostJson = 1 << 20;
constexpr int kMostRuns = 1000;
constexpr const char* kDescription = "twin.json";
constexpr const char* kCold = "cold.json";

// "AB-123 / C" and "ab123c" are one marking.
std::string bare(std::string_view marking) {
  std::string out;
  for (const char c : marking)
    if (std::string_view(" -./_\t").find(c) == std::string_view::npos)
      out += static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
  return out;
}

std::string folder_name(const std::string& board_number, const std::string& controller) {
  std::string name;
  for (const char c : bare(board_number))
    if (std::isalnum(static_cast<unsigned char>(c)) && name.size() < 24) name += c;
  const std::string both = bare(board_number) + "\n" + bare(controller);
  return (name.empty() ? "twin" : name) + "-" + steadycell::to_text(Sha256::of(as_bytes(both))).substr(0, 12);
}

int run_number(const std::string& name) {
  if (!name.starts_with("run-") || !(name.ends_with(".csv") || name.ends_with(".csv.gz"))) return 0;
  const auto number = parse_number(std::string_view(name).substr(4, name.find('.') - 4));
  return number && *number <= kMostRuns ? static_cast<int>(*number) : 0;
}

std::string base_name(const std::string& path) { return path.substr(path.find_last_of('/') + 1); }

Result<StoredTwin> load(files::FileSystem& system, const std::string& folder) {
  const std::string path = files::join(folder, kDescription);
  const auto text = files::read_text(system, path, kMostJson);
  if (!text) return failure(text.error());
  const auto value = json::parse(*text);
  if (!value) return failure(Error(value.error()).during("reading {}", printable(path)));
  json::Reader reader(*value, "");
  const auto schema = reader.text("schema"), number = reader.text("board_number"), controller = reader.text_or("controller", "");
  for (const auto* part : {&schema, &number, &controller})
    if (!*part) return failure(Error(part->error()).during("reading {}", printable(path)));
  if (*schema != "steadycell-twin/1")
    return failure(ErrorCode::version_unknown, "{} was written as \"{}\"", printable(path), printable(*schema));
  StoredTwin out{.folder = folder, .board_number = *number, .controller = *controller, .runs = {}, .cold = {}};
  auto names = system.list(folder);
  if (!names) return failure(names.error());
  std::erase_if(*names, [&](const std::string& name) {
    if (name == kCold) out.cold = files::join(folder, name);
    return run_number(name) == 0;
  });
  std::sort(names->begin(), names->end(), [](const std::string& a, const std::string& b) { return run_number(a) < run_number(b); });
  for (const std::string& name : *names) out.runs.push_back(files::join(folder, name));
  return out;
}

Result<std::string> make_folder(files::FileSystem& system, const std::string& twins, const std::string& board_number,
                                const std::string& controller) {
  if (bare(board_number).empty())
    return failure(Error(ErrorCode::wrong_usage, "a twin needs the number that is printed on its board").advising("give --board-number"));
  const std::string folder = files::join(twins, folder_name(board_number, controller));
  const auto made = system.make_directory(folder);
  if (!made && made.error().code() != ErrorCode::already_exists) return failure(made.error());
  const std::string text =
      json::pretty(json::Object{{"schema", "steadycell-twin/1"}, {"board_number", board_number}, {"controller", controller}});
  const auto described = files::write_whole(system, files::join(folder, kDescription), as_bytes(text));
  if (!described && described.error().code() != ErrorCode::already_exists) return failure(described.error());
  if (const auto synced = system.sync_directory(twins); !synced) return failure(synced.error());
  return folder;
}

}  // namespace

Result<StoredTwin> keep_twin(files::FileSystem& system, const std::string& twins, const std::string& board_number,
                             const std::string& controller, const std::string& trace) {
  const auto bytes = files::read_whole(system, trace, kMostTrace);
  if (!bytes) return failure(Error(bytes.error()).during("reading trace {}", printable(trace)));
  const auto samples = fingerprint(system, trace);
  if (!samples) return failure(samples.error());
  const auto folder = make_folder(system, twins, board_number, controller);
  if (!folder) return failure(folder.error());
  const auto known = load(system, *folder);
  if (!known) return failure(known.error());
  // Two copies of one recording would show a board that repeats itself perfectly, and call every other unlike it.
  for (const std::string& run : known->runs)
    if (const auto other = fingerprint(system, run); other && *other == *samples)
      return failure(Error(ErrorCode::already_exists,
                           fmt::format("{} holds the recording that this twin has as run {}", printable(trace), run_number(base_name(run))))
                         .keeping("nothing was changed")
                         .advising("keep another power-up of a working board"));
  for (int n = 1; n <= kMostRuns; ++n) {
    const std::string stem = files::join(*folder, fmt::format("run-{}.csv", n));
    const auto plain = system.exists(stem), packed = system.exists(stem + ".gz");
    if (!plain) return failure(plain.error());
    if (!packed) return failure(packed.error());
    if (*plain || *packed) continue;
    const auto kept = files::write_whole(system, trace.ends_with(".gz") ? stem + ".gz" : stem, *bytes);
    if (!kept && kept.error().code() == ErrorCode::already_exists) continue;
    if (!kept) return failure(kept.error());
    return load(system, *folder);
  }
  return failure(ErrorCode::already_exists, "{} holds {} runs already", printable(*folder), kMostRuns);
}

int number_of_run(const std::string& path) { return run_number(base_name(path)); }

Result<std::string> drop_run(files::FileSystem& system, const StoredTwin& twin, int number) {
  const auto run = std::find_if(twin.runs.begin(), twin.runs.end(), [&](const std::string& path) { return number_of_run(path) == number; });
  if (run == twin.runs.end())
    return failure(
        Error(ErrorCode::not_found, fmt::format("the twin of board number {} has no run {}", printable(twin.board_number), number))
            .advising("see its runs with steadycell supply drop-twin and no --run"));
  for (int n = 1; n <= kMostRuns; ++n) {
    const std::string to = files::join(twin.folder, fmt::format("dropped-{}.csv{}", n, run->ends_with(".gz") ? ".gz" : ""));
    const auto moved = system.rename(*run, to);
    if (!moved && moved.error().code() == ErrorCode::already_exists) continue;
    if (!moved) return failure(moved.error());
    if (const auto synced = system.sync_directory(twin.folder); !synced) return failure(synced.error());
    return to;
  }
  return failure(ErrorCode::already_exists, "{} holds {} dropped runs already", printable(twin.folder), kMostRuns);
}

Result<KeptCold> keep_twin_cold(files::FileSystem& system, const std::string& twins, const std::string& board_number,
                            const std::string& controller, const json::Object& readings) {
  const auto folder = make_folder(system, twins, board_number, controller);
  if (!folder) return failure(folder.error());
  KeptCold out{.path = files::join(*folder, kCold), .is_new = true};
  const auto kept = files::write_whole(system, out.path, as_bytes(json::pretty(readings)));
  out.is_new = kept.has_value();
  if (!kept && kept.error().code() != ErrorCode::already_exists) return failure(kept.error());
  return out;
}

Result<FoundTwin> find_twin(files::FileSystem& system, const std::string& twins,
                            const std::string& board_number, const std::string& controller) {
  const auto names = system.list(twins);
  if (!names) return failure(names.error());
  FoundTwin out;
  std::optional<StoredTwin>& found = out.twin;
  for (const std::string& name : *names) {
    if (!safe_name(name)) continue;
    auto twin = load(system, files::join(twins, name));
    if (!twin && twin.error().code() == ErrorCode::not_found) continue;  // being made, or no twin
    if (!twin && (twin.error().code() == ErrorCode::bad_input_file || twin.error().code() == ErrorCode::version_unknown)) {
      out.damaged.push_back(twin.error().text());
      continue;
    }
    if (!twin) return failure(twin.error());
    const bool same_controller = controller.empty() || bare(twin->controller) == bare(controller);
    if (bare(twin->board_number) != bare(board_number) || !same_controller) continue;
    if (found)
      return failure(
          Error(ErrorCode::wrong_usage, fmt::format("several twins carry board number {}: with controller \"{}\" and \"{}\"",
                                                    printable(board_number), printable(found->controller), printable(twin->controller)))
              .advising("give --controller, too"));
    found = std::move(*twin);
  }
  return out;
}

}  // namespace steadycell::measure
