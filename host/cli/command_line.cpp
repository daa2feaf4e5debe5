#include "cli/command_line.h"

#include <fmt/ranges.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <cstdlib>
#include <functional>
#include <memory>
#include <sstream>

#include "api/failure.h"
#include "base/text.h"

namespace steadycell::cli {
namespace {

std::string variable(const char* name) {
  const char* value = std::getenv(name);
  return value ? value : "";
}

// Empty: there is no home either.
std::string default_bench() {
  if (std::string named = variable("STEADYCELL_BENCH"); !named.empty()) return named;
  const std::string home = variable("HOME");
  return home.empty() ? home : home + "/steadycell-bench";
}

// An empty value is a slip, most often of a shell's variable that is not set: taken as "none", it would leave out a scheme or a name.
std::string something(const std::string& given) { return given.empty() ? "its value is empty" : ""; }

// Told in help as "{raw,data,spare}".
CLI::Validator one_of(const std::vector<std::string>& words) {
  return CLI::Validator(
      [words](std::string& given) {
        if (std::find(words.begin(), words.end(), given) != words.end()) return std::string();
        return fmt::format("\"{}\" should be {}", printable(given), fmt::join(words, " or "));
      },
      fmt::format("{{{}}}", fmt::join(words, ",")));
}

// Options write straight into the parameters of the service call, so each is named once.
class Command {
 public:
  Command(CLI::App& parent, Invocation& invocation, std::string method, const std::string& verb, const std::string& what,
          const std::string& examples)
      : invocation_(invocation) {
    app_ = parent.add_subcommand(verb, what);
    app_->footer("Examples:\n" + examples);
    app_->final_callback([this, method = std::move(method)] {
      invocation_.method = method;
      for (const auto& fill : fills_) fill(invocation_.params);
    });
  }

  Command& text(const std::string& flags, const std::string& key, const std::string& help, bool required = false) {
    auto value = std::make_shared<std::string>();
    CLI::Option* option = app_->add_option(flags, *value, help);
    option->required(required)->check(something);
    fill(option, key, [value, key](json::Object& params) { params[key] = *value; });
    return *this;
  }
  Command& number(const std::string& flags, const std::string& key, const std::string& help, std::uint64_t low, std::uint64_t high,
                  bool required = false) {
    auto value = std::make_shared<std::string>();
    CLI::Option* option = app_->add_option(flags, *value, help);
    option->required(required)->type_name("N");
    option->check([low, high](const std::string& given) {
      const auto parsed = parse_number(given);
      if (parsed && *parsed >= low && *parsed <= high) return std::string();
      return fmt::format("\"{}\" should be a whole number from {} to {}", printable(given), low, high);
    });
    fill(option, key, [value, key](json::Object& params) { params[key] = *parse_number(*value); });
    return *this;
  }
  // The socket's two supplies.
  Command& supply(const std::string& help) {
    auto value = std::make_shared<std::string>();
    CLI::Option* option = app_->add_option("--supply-mV", *value, help);
    option->type_name("N:{1800,3300}");
    option->check([](const std::string& given) {
      return given == "1800" || given == "3300"
                 ? std::string()
                 : fmt::format("\"{}\" should be 1800 or 3300, the supplies of the socket", printable(given));
    });
    fill(option, "supply_mV", [value](json::Object& params) { params["supply_mV"] = *parse_number(*value); });
    return *this;
  }
  // A file whose format follows from its name: another ending would promise another one.
  Command& file(const std::string& flags, const std::string& key, const std::string& help, std::vector<std::string> endings,
                bool required = false) {
    auto value = std::make_shared<std::string>();
    CLI::Option* option = app_->add_option(flags, *value, help);
    option->required(required);
    option->check([endings = std::move(endings)](const std::string& given) {
      const auto has = [&](const std::string& ending) { return given.size() > ending.size() && given.ends_with(ending); };
      if (std::any_of(endings.begin(), endings.end(), has)) return std::string();
      return fmt::format("\"{}\" should end in {}: no other format is written", printable(given), fmt::join(endings, " or "));
    });
    fill(option, key, [value, key](json::Object& params) { params[key] = *value; });
    return *this;
  }
  Command& range(const std::string& flags, const std::string& key, const std::string& help) {
    auto value = std::make_shared<std::string>();
    CLI::Option* option = app_->add_option(flags, *value, help);
    option->type_name("A-B");
    option->check([](const std::string& given) {
      return parse_range(given) ? std::string()
                                : fmt::format("\"{}\" should be a range such as 0-63, both ends included", printable(given));
    });
    fill(option, key, [value, key](json::Object& params) {
      const NumberRange range = *parse_range(*value);
      params[key] = json::Array{range.first, range.last};
    });
    return *this;
  }
  Command& choice(const std::string& flags, const std::string& key, const std::string& help, const std::vector<std::string>& words,
                  bool required = false) {
    auto value = std::make_shared<std::string>();
    CLI::Option* option = app_->add_option(flags, *value, help);
    option->required(required)->check(one_of(words));
    fill(option, key, [value, key](json::Object& params) { params[key] = *value; });
    return *this;
  }
  Command& list(const std::string& name, const std::string& key, const std::string& help) {
    auto values = std::make_shared<std::vector<std::string>>();
    CLI::Option* option = app_->add_option(name, *values, help);
    option->required()->check(something);
    fill(option, key, [values, key](json::Object& params) {
      json::Array array;
      for (const std::string& value : *values) array.emplace_back(value);
      params[key] = std::move(array);
    });
    return *this;
  }
  Command& flag(const std::string& flags, const std::string& key, const std::string& help) {
    CLI::Option* option = app_->add_flag(flags, help);
    fill(option, key, [key](json::Object& params) { params[key] = true; });
    return *this;
  }
  // Which healthy board of the bench to compare with.
  Command& twin_by_number(bool required = false) {
    return text("--board-number", "board_number", "number printed on the stick's board: finds its twin on this bench", required)
        .text("--controller", "controller", "marking of the stick's controller")
        .bench();
  }
  Command& board() {
    return text("--board", "board", "the board: sim:FIXTURE.json, tcp:HOST:PORT, unix:PATH or usb[:UUID|:BUS-PORT]", true);
  }
  Command& bench() {
    auto value = std::make_shared<std::string>();
    CLI::Option* option =
        app_->add_option("--bench", *value, "bench folder (log, checks, twins); default $STEADYCELL_BENCH or ~/steadycell-bench");
    option->check(something);
    fills_.emplace_back([option, value](json::Object& params) {
      if (const std::string folder = option->count() > 0 ? *value : default_bench(); !folder.empty()) params["bench"] = folder;
    });
    return *this;
  }
  Command& map() {
    return text("--map", "map", "what the part should have: a built-in socket map or a file; default: whichever fits");
  }
  Command& consent() {
    return supply("your word that a chip silent at 1.8 V may get this supply (3300)");
  }

 private:
  void fill(CLI::Option* option, const std::string& key, std::function<void(json::Object&)> put) {
    fills_.emplace_back([this, option, key, put = std::move(put)](json::Object& params) {
      if (option->count() == 0) return;
      invocation_.given[key] = option->get_name(option->get_positional());
      put(params);
    });
  }

  Invocation& invocation_;
  CLI::App* app_ = nullptr;
  std::vector<std::function<void(json::Object&)>> fills_;
};

struct Common {
  bool as_json = false, quiet = false, version = false;
  std::string progress = "auto";
};

void add_common(CLI::App& app, Common& common) {
  app.add_flag("--json", common.as_json, "one JSON object on standard output and nothing else");
  app.add_flag("--quiet", common.quiet, "no progress");
  app.add_option("--progress", common.progress, "progress on standard error")->check(one_of({"auto", "json"}));
}

// All commands; what is parsed goes into `invocation` and `common`.
void build_tree(CLI::App& app, Invocation& invocation, Common& common, std::vector<std::unique_ptr<Command>>& commands) {
  app.description("Find out why a USB stick is dead, and read its memory until every bit is as certain as it can get.");
  app.name("steadycell");
  app.footer(
      "Examples:\n"
      "  steadycell demo\n"
      "  steadycell chip identify --board sim:fixture.json --supply-mV 3300\n"
      "  steadycell chip read --board sim:fixture.json --supply-mV 3300 --passes 5 --into case7\n"
      "  steadycell capture settle case7 --image case7-image --ecc scheme.json\n"
      "Exit codes: 0 done, 1 failed, 2 wrong use, 3 done with pages left doubtful or unread, 4 board or chip absent or lost,\n"
      "  5 permission, 6 electrical limit or safety stop, 7 verification or identity mismatch, 8 storage, 9 busy,\n"
      "  129, 130 and 143 interrupted.\n"
      "Each command has --help and a manual page: man steadycell-chip-read; README.md says how to read them from a build tree.");
  app.add_flag("--version", common.version, "print version and leave");
  app.fallthrough();

  const auto noun = [&](const std::string& name, const std::string& what) -> CLI::App& {
    CLI::App* group = app.add_subcommand(name, what);
    group->require_subcommand(0, 1);  // so that a verb nobody knows is named; none at all is told below
    group->fallthrough();
    return *group;
  };
  const auto add = [&](CLI::App& parent, const std::string& method, const std::string& verb, const std::string& what,
                       const std::string& examples) -> Command& {
    commands.push_back(std::make_unique<Command>(parent, invocation, method, verb, what, examples));
    return *commands.back();
  };

  CLI::App& chip = noun("chip", "the memory chip in the socket");
  add(chip, "chip.identify", "identify", "power the chip carefully and say what it is",
      "  steadycell chip identify --board sim:fixture.json\n"
      "  steadycell chip identify --board sim:fixture.json --supply-mV 3300 --json")
      .board()
      .consent()
      .map();
  add(chip, "chip.decode", "decode", "say what ID bytes or a parameter page mean; needs no board",
      "  steadycell chip decode --id \"EC DC 10 95 54\"\n"
      "  steadycell chip decode --parameter-page page.bin")
      .text("--id", "id", "ID bytes in hex, as the chip gave them")
      .text("--parameter-page", "parameter_page", "file with the bytes of ECh 00h, all copies");
  add(chip, "chip.read", "read", "read passes into a capture; the same command goes on where it stopped",
      "  steadycell chip read --board sim:fixture.json --supply-mV 3300 --passes 5 --into case7\n"
      "  steadycell chip read --board sim:fixture.json --supply-mV 3300 --passes 9 --blocks 100-199 --into case7")
      .board()
      .consent()
      .number("--passes", "passes", "passes that every block of the range has when done, counting what the capture holds", 1, 255, true)
      .range("--blocks", "blocks", "blocks to read, both ends included; default all")
      .text("--into", "into", "capture folder, made when it is not there", true)
      .map()
      .flag("--another-board", "another_board", "your word that the capture may be gone on with on another board than it was begun on")
      .flag("--timings", "timings", "also say where the host's time went")
      .bench();

  CLI::App& capture = noun("capture", "the passes read from a chip");
  add(capture, "capture.import", "import", "make a capture from passes read elsewhere",
      "  steadycell capture import pass1.bin pass2.bin --page-bytes 2048 --spare-bytes 64 --into case7")
      .list("PASS", "passes", "files of page and spare area, page after page, one a pass")
      .number("--page-bytes", "page_bytes", "data bytes of a page", 512, 65536, true)
      .number("--spare-bytes", "spare_bytes", "spare bytes of a page", 0, 32768, true)
      .number("--pages-per-block", "pages_per_block", "pages of an erase block; default 64", 1, 8192)
      .text("--into", "into", "capture folder to make", true);
  add(capture, "capture.settle", "settle", "vote, correct and write the image with a verdict for each page",
      "  steadycell capture settle case7 --image case7-image\n"
      "  steadycell capture settle case7 --image case7-image --ecc scheme.json")
      .text("CAPTURE", "capture", "capture folder", true)
      .text("--image", "image", "image folder to make", true)
      .text("--ecc", "ecc", "file with the ECC scheme")
      .flag("--allow-partial", "allow_partial", "settle what is there although pass 1 was not finished; exit code 3")
      .flag("--timings", "timings", "also say where the time went");

  add(capture, "capture.verify", "verify", "compare every pass with the recorded hashes, and the journal with its chain",
      "  steadycell capture verify case7")
      .text("CAPTURE", "capture", "capture folder", true);
  add(capture, "capture.export", "export", "hand one pass, as the chip gave it, to another program",
      "  steadycell capture export case7 --pass 1 --to pass1.bin\n"
      "  steadycell capture export case7 --pass 3 --to - | sha256sum")
      .text("CAPTURE", "capture", "capture folder", true)
      .number("--pass", "pass", "which pass, counted from 1", 1, 255, true)
      .text("--to", "to", "file to make, or - for standard output", true);

  CLI::App& ecc = noun("ecc", "the error-correcting code of the pages");
  add(ecc, "ecc.find", "find", "find out which code protects the pages, and where its bytes lie",
      "  steadycell ecc find case7 --to scheme.json\n"
      "  steadycell ecc find case7-image --json")
      .text("FROM", "from", "capture or image folder", true)
      .text("--to", "to", "scheme file to make when a code is found");
  add(ecc, "ecc.check", "check", "decode every page and count what the code finds; changes nothing",
      "  steadycell ecc check case7 --scheme scheme.json\n"
      "  steadycell ecc check case7-image --json")
      .text("FROM", "from", "capture or image folder", true)
      .text("--scheme", "scheme", "file with the ECC scheme; default the one in the image");

  CLI::App& image = noun("image", "the settled image and its evidence");
  add(image, "image.show", "show", "say what an image holds", "  steadycell image show case7-image")
      .text("IMAGE", "image", "image folder", true);
  add(image, "image.verify", "verify", "compare every file with the recorded hashes", "  steadycell image verify case7-image")
      .text("IMAGE", "image", "image folder", true);
  add(image, "image.assess", "assess", "say whether the pages hold plain contents, or look for their whitening",
      "  steadycell image assess case7-image\n"
      "  steadycell image assess case7-image --to key.json --json")
      .text("IMAGE", "from", "image or capture folder", true)
      .text("--to", "to", "file to make with the whitening, when one is found");
  add(image, "image.export", "export", "hand bytes to another program",
      "  steadycell image export case7-image --what data --to data.bin\n"
      "  steadycell image export case7-image --what raw --pages 0-63 --to - | sha256sum\n"
      "  steadycell image export case7-image --what data --unwhiten key.json --to data.bin")
      .text("IMAGE", "image", "image folder", true)
      .choice("--what", "what", "raw: page and spare; data: data bytes; spare: the rest", {"raw", "data", "spare"}, true)
      .range("--pages", "pages", "pages to export, both ends included; default all")
      .text("--unwhiten", "unwhiten", "file with the whitening to take off, as image assess made it")
      .text("--to", "to", "file to make, or - for standard output", true);

  CLI::App& supply = noun("supply", "the supply current of the broken stick");
  add(supply, "supply.cold", "cold", "check supply and data lines at micro-current, before any power",
      "  steadycell supply cold --board sim:fixture.json\n"
      "  steadycell supply cold --board sim:fixture.json --board-number \"AB-12\" --json")
      .board()
      .twin_by_number()
      .flag("--keep-as-twin", "keep_as_twin", "keep the readings as those of a healthy board with this number");
  add(supply, "supply.record", "record", "check cold, power the stick up once and record its current",
      "  steadycell supply record --board sim:fixture.json --to trace.csv.gz\n"
      "  steadycell supply record --board sim:fixture.json --to case7.csv.gz --burst case7-burst.csv.gz --patient case7")
      .board()
      .file("--to", "to", "trace file to make (.csv or .csv.gz)", {".csv", ".csv.gz"}, true)
      .file("--burst", "burst", "file to make for the fast recording of the switch-on (.csv or .csv.gz)", {".csv", ".csv.gz"})
      .number("--seconds", "seconds", "how long to record; default 10", 1, 86400)
      .text("--patient", "patient", "name of the stick, by which its power-ups are counted")
      .number("--limit", "limit_mA", "current limit in mA; default 500 after a clean check, else 100", 10, 900)
      .twin_by_number()
      .flag("--whole", "whole", "record the whole time, also when a boot loop shows; default: end at its second period")
      .flag("--power-despite-measured-short", "power_despite_measured_short", "your word that it is powered although a short was measured");
  add(supply, "supply.diagnose", "diagnose", "name the likely faults behind a trace",
      "  steadycell supply diagnose trace.csv.gz\n"
      "  steadycell supply diagnose trace.csv --limit 100 --json")
      .text("TRACE", "trace", "trace file (.csv or .csv.gz)", true)
      .text("--burst", "burst", "burst file taken around the same switch-on")
      .choice("--rail", "rail", "rail the trace was taken on, when the file does not say", {"vbus", "socket1v8", "socket3v3"})
      .number("--limit", "limit_mA", "current limit in mA, when the file does not say", 1, 5000)
      .text("--twin", "twin", "trace of a working board of the same kind")
      .twin_by_number();
  add(supply, "supply.keep_twin", "keep-twin", "keep the trace of a working board, to compare others with",
      "  steadycell supply keep-twin good.csv.gz --board-number \"AB-12\" --controller \"CX-9\"")
      .text("TRACE", "trace", "trace of a working board (.csv or .csv.gz)", true)
      .twin_by_number(true)
      .flag("--keep-despite-diagnosis", "keep_despite_diagnosis", "your word that the board works although its trace looks like a fault");
  add(supply, "supply.drop_twin", "drop-twin", "list the kept runs of a twin, or take one out of the comparison",
      "  steadycell supply drop-twin --board-number \"AB-12\"\n"
      "  steadycell supply drop-twin --board-number \"AB-12\" --controller \"CX-9\" --run 2")
      .twin_by_number(true)
      .number("--run", "run", "run to take out; without it the runs are listed and nothing changes", 1, 1000);
  add(supply, "supply.plot", "plot", "draw a trace: levels, events, limit, verdict, switch-on",
      "  steadycell supply plot trace.csv.gz --to trace.svg\n"
      "  steadycell supply plot trace.csv.gz --twin good.csv.gz --to trace.svg")
      .text("TRACE", "trace", "trace file (.csv or .csv.gz)", true)
      .text("--burst", "burst", "burst file taken around the same switch-on")
      .choice("--rail", "rail", "rail the trace was taken on, when the file does not say", {"vbus", "socket1v8", "socket3v3"})
      .number("--limit", "limit_mA", "current limit in mA, when the file does not say", 1, 5000)
      .text("--twin", "twin", "trace of a working board of the same kind")
      .twin_by_number()
      .file("--to", "to", "drawing to make (.svg)", {".svg"}, true);

  CLI::App& socket = noun("socket", "the chip socket");
  add(socket, "socket.check", "check", "measure every contact with the rails off: is something seated, and right",
      "  steadycell socket check --board sim:fixture.json\n"
      "  steadycell socket check --board sim:fixture.json --map tsop48-x8-2ce --svg contacts.svg")
      .board()
      .map()
      .file("--svg", "svg", "drawing of the package to make (.svg)", {".svg"})
      .bench();
  add(socket, "socket.judge", "judge", "judge a table of contact readings; needs no board",
      "  steadycell socket judge contacts.csv\n"
      "  steadycell socket judge contacts.csv --case chip7 --json")
      .text("TABLE", "table", "CSV file: case, position, v_at_plus100uA_mV, v_at_minus100uA_mV, short_to", true)
      .text("--case", "case", "the one case to judge; default all")
      .map()
      .file("--svg", "svg", "drawing of the package to make, of one case (.svg)", {".svg"});

  CLI::App& board = noun("board", "the fixture board itself");
  add(board, "board.list", "list", "which boards are on USB, may you use them, who holds them, and what to say after --board",
      "  steadycell board list\n"
      "  steadycell board list --json");
  add(board, "board.check", "check", "is the fixture all right: empty socket, rails, known load, limiter",
      "  steadycell board check --board sim:fixture.json --load-ohm 100 --load-nF 10000 --bench bench\n"
      "  steadycell board check --board sim:fixture.json --reference \"EC DC 10 95 54\" --supply-mV 3300")
      .board()
      .number("--load-ohm", "load_ohm", "resistor on the port, in ohm; without it the port stays off", 60, 10'000)
      .number("--load-nF", "load_nF", "capacitor beside it, in nF", 1, 100'000)
      .text("--reference", "reference", "ID of the known chip that sits in the socket")
      .supply("your word that the socket may get 3.3 V (3300): empty, or for the reference chip")
      .bench();
  add(board, "board.conform", "conform",
      "for builders of boards: does the firmware do every duty of the protocol; exit code 7 when one fails",
      "  steadycell board conform --board sim:fixture.json --confirm \"no patient chip in the socket, no stick in the port\"\n"
      "  steadycell board conform --board sim:fixture.json --confirm \"no patient chip in the socket, no stick in the port\""
      " --only heartbeat_cut")
      .board()
      .text("--confirm", "confirm",
            "your word, word for word: \"no patient chip in the socket, no stick in the port\"; without it nothing is tried")
      .text("--only", "only", "try this one duty; default all")
      .supply("your word that the socket may get 3.3 V (3300)")
      .number("--lid-seconds", "lid_seconds", "try the lid, too: so long you have time to open it when told", 1, 600);

  add(app, "demo", "demo", "run the whole job on the simulated bench, with an invented case",
      "  steadycell demo\n"
      "  steadycell demo --out my-demo\n"
      "  steadycell demo --board usb --supply-mV 3300")
      .text("--out", "out", "folder to make; default a new one here")
      .text("--board", "board", "where the case's simulated bench runs already, as for chip read; default: it is started for the demo")
      .supply("your word that the chip of that board may get 3.3 V (3300)");

  add(app, "status", "status", "say whether a daemon runs, what it does, and which boards are held by whom", "  steadycell status");
  add(app, "doctor", "doctor", "look for what is wrong with this installation; exit code 1 when something is", "  steadycell doctor");

  add_common(app, common);
  for (CLI::App* group : app.get_subcommands({}))
    if (group->get_subcommands({}).empty())  // a command of one word
      add_common(*group, common);
    else
      for (CLI::App* command : group->get_subcommands({})) add_common(*command, common);
}

OptionFacts facts_of_option(const CLI::Option& option) {
  OptionFacts facts;
  facts.positional = option.get_positional();
  facts.name = option.get_name(facts.positional);
  facts.help = option.get_description();
  facts.required = option.get_required();
  if (option.get_expected_max() == 0) return facts;
  // "TEXT:{raw,data,spare}": the kind, and all that is taken
  facts.value = option.get_type_name();
  const std::size_t brace = facts.value.find('{');
  if (brace == std::string::npos) return facts;
  std::istringstream words(facts.value.substr(brace + 1, facts.value.find('}') - brace - 1));
  for (std::string word; std::getline(words, word, ',');) facts.choices.push_back(word);
  facts.value.clear();
  for (const std::string& word : facts.choices) facts.value += (facts.value.empty() ? "" : "|") + word;
  return facts;
}

void describe(const CLI::App& app, const std::string& name, std::vector<CommandFacts>& out) {
  CommandFacts facts;
  facts.name = name;
  facts.what = app.get_description();
  facts.footer = app.get_footer();
  for (const CLI::Option* option : app.get_options()) facts.options.push_back(facts_of_option(*option));
  out.push_back(std::move(facts));
  for (const CLI::App* below : app.get_subcommands({}))
    describe(*below, name.empty() ? below->get_name() : name + " " + below->get_name(), out);
}

}  // namespace

std::vector<CommandFacts> describe_commands() {
  Invocation invocation;
  Common common;
  CLI::App app;
  std::vector<std::unique_ptr<Command>> commands;
  build_tree(app, invocation, common, commands);
  std::vector<CommandFacts> out;
  describe(app, "", out);
  return out;
}

namespace {

// The command that was named, as far as it was known: "steadycell image export".
struct Named {
  const CLI::App* app;
  std::string words;
};
Named named_in(const CLI::App& root) {
  Named named{&root, "steadycell"};
  while (!named.app->get_subcommands().empty()) {
    named.app = named.app->get_subcommands().front();
    named.words += " " + named.app->get_name();
  }
  return named;
}

// All that a command still needs, each with what it takes.
std::string missing_in(const CLI::App& command) {
  std::vector<std::string> missing;
  for (const CLI::Option* option : command.get_options()) {
    if (!option->get_required() || option->count() > 0) continue;
    const OptionFacts facts = facts_of_option(*option);
    missing.push_back(fmt::format("{}{} ({})", facts.name, facts.positional ? "" : " " + facts.value, facts.help));
  }
  return fmt::format("{}", fmt::join(missing, " and "));
}

// The first of a command's examples, as it stands in its help.
std::string example_of(const CLI::App& command) {
  std::istringstream lines(command.get_footer());
  std::string line;
  std::getline(lines, line);  // the heading
  std::getline(lines, line);
  return line.substr(std::min(line.find_first_not_of(' '), line.size()));
}

std::string verbs_of(const CLI::App& group) {
  std::vector<std::string> verbs;
  for (const CLI::App* command : group.get_subcommands({})) verbs.push_back(command->get_name());
  return fmt::format("{}", fmt::join(verbs, ", "));
}

// The first argument that nobody knew; CLI11 keeps them in another order.
std::string first_of(const std::vector<std::string>& arguments, const std::vector<std::string>& unknown) {
  const auto first = std::find_first_of(arguments.begin(), arguments.end(), unknown.begin(), unknown.end());
  return first == arguments.end() ? unknown.empty() ? std::string() : unknown.front() : *first;
}

}  // namespace

std::variant<Invocation, Answer> parse_command_line(const std::vector<std::string>& arguments) {
  Invocation invocation;
  Common common;
  CLI::App app;
  std::vector<std::unique_ptr<Command>> commands;
  build_tree(app, invocation, common, commands);

  const auto usage_error = [&](const std::string& what, std::string next = {}) -> Answer {
    const Error error = Error(ErrorCode::wrong_usage, what).advising(std::move(next));
    const bool wants_json = std::find(arguments.begin(), arguments.end(), "--json") != arguments.end();
    if (wants_json) return {.out = json::text_of(api::to_json(error)) + "\n", .err = {}, .exit_code = error.exit_code()};
    return {.out = {}, .err = error.text() + "\n", .exit_code = 2};
  };

  try {
    std::vector<std::string> reversed(arguments.rbegin(), arguments.rend());
    app.parse(reversed);
  } catch (const CLI::Success& help) {
    std::ostringstream out, err;
    app.exit(help, out, err);
    return Answer{.out = out.str(), .err = {}, .exit_code = 0};
  } catch (const CLI::RequiredError&) {
    // A misspelt option leaves the right one missing: the misspelling is what to say.
    const auto [command, name] = named_in(app);
    const std::string unknown = first_of(arguments, app.remaining(true));
    if (!unknown.empty())
      return usage_error(fmt::format("{} does not know {}", name, printable(unknown)), fmt::format("see {} --help", name));
    return usage_error(fmt::format("{} needs {}", name, missing_in(*command)),
                       fmt::format("for example {}; {} --help tells all", example_of(*command), name));
  } catch (const CLI::ExtrasError&) {
    const auto [command, name] = named_in(app);
    const std::string unknown = printable(first_of(arguments, app.remaining(true)));
    const std::string verbs = verbs_of(*command);
    if (verbs.empty()) return usage_error(fmt::format("{} does not know {}", name, unknown), fmt::format("see {} --help", name));
    return usage_error(fmt::format("{} has no \"{}\"", name, unknown), fmt::format("it has {}; see {} --help", verbs, name));
  } catch (const CLI::ArgumentMismatch& error) {
    const auto [command, name] = named_in(app);
    const std::string told = error.what();
    const CLI::Option* option = command->get_option_no_throw(told.substr(0, told.find(':')));
    if (option == nullptr) return usage_error(fmt::format("{}: {}", name, printable(told)), fmt::format("see {} --help", name));
    const OptionFacts facts = facts_of_option(*option);
    if (option->count() > 1) return usage_error(fmt::format("{}: {} is given more than once", name, facts.name), "give it once");
    return usage_error(fmt::format("{}: {} stands without its value {} ({})", name, facts.name, facts.value, facts.help),
                       fmt::format("for example {}; {} --help tells all", example_of(*command), name));
  } catch (const CLI::ParseError& error) {
    const std::string name = named_in(app).words;
    return usage_error(fmt::format("{}: {}", name, printable(error.what())), fmt::format("see {} --help", name));
  }
  if (common.version) return Answer{.out = "steadycell " STEADYCELL_VERSION "\n", .err = {}, .exit_code = 0};
  if (invocation.method.empty()) {
    const auto [group, name] = named_in(app);
    return usage_error("no command given", fmt::format("{} has {}; see {} --help", name, verbs_of(*group), name));
  }
  invocation.as_json = common.as_json;
  invocation.progress = common.quiet ? ProgressStyle::quiet : common.progress == "json" ? ProgressStyle::json : ProgressStyle::automatic;
  return invocation;
}

}  // namespace steadycell::cli
