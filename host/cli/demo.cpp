#include <array>
#include <ctime>
#include <filesystem>
#include <iostream>
#include <optional>
#include <sstream>

#include "api/failure.h"
#include "base/text.h"
#include "cli/app.h"
#include "cli/locate.h"
#include "files/atomic.h"

// The demo walks the path a bench user walks, command by command, on the simulated bench; only the rebuilding at the end
// is somebody else's part, played by a script.
namespace steadycell::cli {
namespace {

constexpr std::uint64_t kPasses = 9;
constexpr std::uint64_t kLastBlock = 63;  // the invented case uses the first 64 blocks of the chip
constexpr std::string_view kChipId = "2C DC 90 95 56";  // as in the case's fixture.json; a chip repeats it behind its end

std::string default_out() {
  const std::time_t now = std::time(nullptr);
  std::tm local{};
  localtime_r(&now, &local);
  std::array<char, 32> stamp{};
  std::strftime(stamp.data(), stamp.size(), "%Y%m%d-%H%M%S", &local);
  return fmt::format("steadycell-demo-{}", stamp.data());
}

std::uint64_t number(const json::Object& object, std::string_view key) { return object.at(key).to_number<std::uint64_t>(); }

std::uint64_t verdict(const json::Object& result, std::string_view name) { return number(result.at("verdicts").get_object(), name); }

struct Steps {
  json::Object identified, read, one_pass, settled, verified;
  std::size_t files = 0;
  std::string files_report;
  std::filesystem::path out;
};

class Demo {
 public:
  Demo(Caller& service, ProgressLine& progress, const StopOnSignal& stop, bool tell)
      : service_(service), progress_(progress), tell_(tell) {
    hooks_.progress = [this](const api::Progress& p) { progress_.show(p); };
    hooks_.stop = &stop.requested();
  }

  // `board`: where the case's simulated bench runs; without one it is started here. `supply_mV`: the user's word, asked for of a
  // named board as everywhere, for it may be another board than was thought.
  Result<Steps> run(const std::filesystem::path& out, const std::optional<std::string>& named_board, const json::Value* supply_mV) {
    const auto shared = find_shared("demo");
    if (!shared) return failure(shared.error());
    if (const auto free = files::check_free(files::posix(), out.string()); !free) return failure(free.error());

    Steps steps;
    steps.out = out;
    const std::string fixture = (*shared / "fixture.json").string();
    json::Object chip{{"board", named_board.value_or("sim:" + fixture)}};
    if (!named_board) chip["supply_mV"] = 3300;
    if (supply_mV != nullptr) chip["supply_mV"] = *supply_mV;
    const auto identified = step("identify the chip", "chip.identify", chip);
    if (!identified) return failure(identified.error());
    steps.identified = *identified;
    if (const std::string id(identified->at("id_bytes").get_string()); !id.starts_with(kChipId)) {
      const std::string what = fmt::format("the chip's ID is {}, the demo's is {}: this is another chip, and was not read", id, kChipId);
      return failure(Error(ErrorCode::wrong_usage, what)
                         .at(std::string(chip["board"].get_string()))
                         .advising(fmt::format("let steadycell-simboard run {}, or leave --board out", fixture)));
    }
    // Not before: a board that is not there, or another chip, leaves no empty folder behind.
    if (const auto made = files::posix().make_directory(out.string()); !made) return failure(made.error());

    const std::string capture = (out / "capture").string(), image = (out / "image").string();
    const auto read_passes = [&](const std::string& what, std::uint64_t passes) {
      json::Object params = chip;
      params["passes"] = passes;
      params["blocks"] = json::Array{0, kLastBlock};
      params["into"] = capture;
      return step(what, "chip.read", std::move(params));
    };
    const auto first = read_passes("read pass 1, whole, before anything else", 1);
    if (!first) return failure(first.error());
    const std::string scheme = (*shared / "scheme.json").string();
    const auto one_pass = step("settle pass 1 alone, for comparison", "capture.settle",
                               {{"capture", capture}, {"image", (out / "image-one-pass").string()}, {"ecc", scheme}});
    if (!one_pass) return failure(one_pass.error());
    steps.one_pass = *one_pass;

    const auto read = read_passes(fmt::format("go on to {} passes", kPasses), kPasses);
    if (!read) return failure(read.error());
    steps.read = *read;
    const auto settled = step("settle: vote, correct, judge", "capture.settle", {{"capture", capture}, {"image", image}, {"ecc", scheme}});
    if (!settled) return failure(settled.error());
    steps.settled = *settled;
    const auto verified = step("verify the image against its hashes", "image.verify", {{"image", image}});
    if (!verified) return failure(verified.error());
    steps.verified = *verified;
    for (const char* what : {"data", "spare"}) {
      const auto exported = step(fmt::format("export the {} bytes", what), "image.export",
                                 {{"image", image}, {"what", what}, {"to", (out / fmt::format("{}.bin", what)).string()}});
      if (!exported) return failure(exported.error());
    }
    return rebuild(*shared, std::move(steps));
  }

 private:
  Result<json::Object> step(const std::string& what, std::string_view method, json::Object params) {
    if (tell_) std::cerr << what << " ...\n";
    auto result = service_.call(method, std::move(params), hooks_);
    progress_.clear();
    return result;
  }

  // The downstream pipeline, played by a script that knows nothing but the hand-over.
  Result<Steps> rebuild(const std::filesystem::path& shared, Steps steps) {
    if (tell_) std::cerr << "rebuild the volume from the hand-over, as a receiver would ...\n";
    const auto outcome = run_program({"python3", (shared / "rebuild_volume.py").string(), (steps.out / "image").string(),
                                      (steps.out / "data.bin").string(), (steps.out / "spare.bin").string(),
                                      (shared / "files.json").string(), (steps.out / "rebuilt").string()});
    if (!outcome) return failure(outcome.error());
    steps.files_report = outcome->out;
    if (outcome->exit_code != 0)
      return failure(Error(ErrorCode::hash_mismatch, "a recovered file is not what was stored:\n" + outcome->out)
                         .at((steps.out / "rebuilt").string())
                         .advising("this is a fault of the program: report it with the demo folder"));
    std::istringstream lines(outcome->out);
    for (std::string line; std::getline(lines, line);)
      if (line.starts_with("right")) ++steps.files;
    return steps;
  }

  Caller& service_;
  ProgressLine& progress_;
  service::JobHooks hooks_;
  bool tell_;
};

std::string report(const Steps& steps) {
  const json::Object& settled = steps.settled;
  std::string out = "\nDEMO, an invented case: a weak chip from a dead stick, on the simulated bench\n\n";
  const auto row = [&](std::string_view name, const std::string& value) { out += fmt::format("{:<12} {}\n", name, value); };
  row("chip", fmt::format("{}, {} + {} bytes a page, known from {}", printable(std::string_view(steps.identified.at("maker").get_string())),
                          number(steps.identified, "page_bytes"), number(steps.identified, "spare_bytes"),
                          std::string(steps.identified.at("source").get_string())));
  row("checked", "contacts, WP# low, ready/busy seen, ID stable, nothing written to the chip");
  row("read", fmt::format("{} passes over {} blocks", kPasses, kLastBlock + 1));
  row("wavered", fmt::format("{} bits changed between passes", number(settled, "unstable_bits")));
  row("pages", fmt::format("{:<24} one pass   {} passes", "", kPasses));
  static const std::pair<std::string_view, std::string_view> kVerdicts[] = {{"confirmed", "code agrees with the vote"},
                                                                            {"corrected", "code changed bits"},
                                                                            {"steady", "passes agree, no code"},
                                                                            {"doubtful", "not to be relied on"},
                                                                            {"unread", "not transferred"}};
  for (const auto& [name, meaning] : kVerdicts)
    out += fmt::format("  {:<10} {:<25} {:>6} {:>10}\n", name, meaning, verdict(steps.one_pass, name), verdict(settled, name));
  row("corrected", fmt::format("{} bits by the code", number(settled, "corrected_bits")));
  row("SHA-256", std::string(settled.at("sha256").get_string()) + "  pages.raw");
  row("image", (steps.out / "image").string());
  row("rebuilt", fmt::format("{}, {} files, each right", (steps.out / "rebuilt" / "files").string(), steps.files));
  return out;
}

}  // namespace

int run_demo(const Invocation& invocation, Caller& service, ProgressLine& progress, const StopOnSignal& stop) {
  const json::Value* given = invocation.params.if_contains("out");
  const std::filesystem::path out = given ? std::string(given->get_string()) : default_out();
  std::optional<std::string> board;
  if (const json::Value* named = invocation.params.if_contains("board")) board = std::string(named->get_string());
  Demo demo(service, progress, stop, !invocation.as_json && invocation.progress == ProgressStyle::automatic);
  const auto steps = demo.run(out, board, invocation.params.if_contains("supply_mV"));
  if (!steps) {
    if (invocation.as_json)
      write_out(json::text_of(api::to_json(steps.error())) + "\n");
    else
      std::cerr << steps.error().text() << '\n';
    return stop.exit_code() != 0 ? stop.exit_code() : steps.error().exit_code();
  }
  if (invocation.as_json) {
    json::Object result;
    result["out"] = out.string();
    result["files_right"] = steps->files;
    result["one_pass"] = steps->one_pass;
    result["settled"] = steps->settled;
    write_out(json::text_of(result) + "\n");
  } else {
    write_out(report(*steps));
  }
  return 0;
}

}  // namespace steadycell::cli
