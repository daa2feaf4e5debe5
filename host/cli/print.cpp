#include "cli/print.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>

#include "base/text.h"
#include "cli/print_capture.h"
#include "cli/rows.h"
#include "supply/diagnosis.h"

namespace steadycell::cli {
namespace {

std::string source_words(std::string source) {
  if (source == "id") return "the ID bytes, by the maker's rules";
  if (source == "id table") return "the ID bytes, in the table of whole IDs";
  if (source == "onfi") return "the ONFI parameter page";
  if (source == "jedec") return "the JEDEC parameter page";
  return source;
}

std::string chip_facts(const json::Object& chip) {
  std::string out = row("maker", word(chip, "maker"));
  if (word(chip, "model") != "-") out += row("model", word(chip, "model"));
  if (word(chip, "id_bytes") != "-") out += row("ID bytes", word(chip, "id_bytes"));
  out += row("page", fmt::format("{} + {} bytes", count(chip, "page_bytes"), count(chip, "spare_bytes")));
  out += row("block", counted(count(chip, "pages_per_block"), "page"));
  const std::uint64_t luns = count(chip, "luns");
  out += row("blocks",
             luns > 1 ? fmt::format("{} in each of {} LUNs", count(chip, "blocks"), luns) : fmt::format("{}", count(chip, "blocks")));
  out += row("size", human_bytes(count(chip, "total_bytes")));
  out += row("bus", fmt::format("{} bits", count(chip, "bus_bits")));
  if (const json::Object* ecc = part(chip, "ecc_need"))
    out += row("ECC asked for", fmt::format("{} bits in {} bytes, by the maker", count(*ecc, "bits"), count(*ecc, "per_bytes")));
  return out + row("known from", source_words(word(chip, "source"))) + notes(chip);
}

std::string print_identify(const json::Object& result) {
  std::string out = row("board", word(result, "board")) + row("supply", word(result, "supply_mV") + " mV");
  if (const json::Object* contact = part(result, "contact")) out += row("contacts", word(*contact, "text")) + notes(*contact);
  for (const json::Value& target : list(result, "targets")) {
    const json::Object& chip = target.get_object();
    out += fmt::format("\ntarget {}\n", count(chip, "target")) + chip_facts(chip);
  }
  return out + notes(result);
}

// Where the time went, when it was asked for.
std::string timing_rows(const json::Object& result) {
  std::string out;
  for (const json::Value& value : list(result, "timings")) {
    const json::Object& stage = value.get_object();
    out += fmt::format("  {:>9.3f} s  {}\n", real(stage, "seconds"), word(stage, "stage"));
  }
  return out.empty() ? out : row("time", "") + out;
}

std::string print_read(const json::Object& result) {
  std::string out = row("capture", word(result, "capture"));
  out += row("chip", fmt::format("{} {}", word(result, "maker"), word(result, "id_bytes")));
  out += row("passes",
             fmt::format("{} over blocks {}-{}", count(result, "passes"), count(result, "first_block"), count(result, "last_block")));
  out += row("blocks read", fmt::format("{} now, {} held before", count(result, "units_read"), count(result, "units_held")));
  out += row("moved", fmt::format("{} in {:.1f} s", human_bytes(count(result, "bytes")), real(result, "seconds")));
  out += row("not transferred", counted(count(result, "pages_not_transferred"), "page"));
  if (const std::uint64_t busy = count(result, "pages_timed_out"))
    out += row("chip stayed busy", counted(busy, "page") + ": kept as not read");
  out += row("journal head", word(result, "journal_head"));
  return out + timing_rows(result) + notes(result);
}

constexpr std::pair<std::string_view, std::string_view> kMeaning[] = {
    {"confirmed", "the code says right as voted"},
    {"corrected", "the code changed bits, and is right within the stated odds"},
    {"steady", "all passes agree; without a code nobody knows more"},
    {"doubtful", "do not rely on these"},
    {"unread", "no pass read them; filled, not data"}};

std::string_view meaning_of(std::string_view verdict) {
  for (const auto& [name, meaning] : kMeaning)
    if (name == verdict) return meaning;
  return {};
}

// Which part of the chip an image holds; nothing when it is all of it.
std::string part_of_chip(const json::Object& result) {
  constexpr std::size_t kRangesShown = 4;
  const json::Array& coverage = list(result, "coverage");
  const std::uint64_t of_chip = count(result, "chip_blocks");
  std::uint64_t blocks = 0;
  bool one_lun = true;
  std::string ranges;
  for (std::size_t i = 0; i < coverage.size(); ++i) {
    const json::Object& run = coverage[i].get_object();
    const std::uint64_t first = count(run, "first_block"), last = first + count(run, "count") - 1;
    blocks += count(run, "count");
    one_lun = one_lun && count(run, "lun") + count(run, "target") == 0;
    if (i < kRangesShown)
      ranges += fmt::format("{}{}", i == 0 ? "" : ", ", first == last ? fmt::format("{}", first) : fmt::format("{}-{}", first, last));
    if (i == kRangesShown) ranges += ", ...";
  }
  if (blocks >= of_chip) return "";
  const std::string which = one_lun ? fmt::format("block{} {}", blocks == 1 ? "" : "s", ranges) : counted(blocks, "block");
  return fmt::format(", of {}; the chip has {}", which, of_chip);
}

std::string verdict_rows(const json::Object& result) {
  std::string out = row("pages", fmt::format("{}{}", count(result, "pages"), part_of_chip(result)));
  if (const json::Object* verdicts = part(result, "verdicts"))
    for (const auto& [name, meaning] : kMeaning)
      if (const std::uint64_t pages = count(*verdicts, name)) out += fmt::format("  {:<14} {:<8} {}\n", name, pages, meaning);
  out += row("unstable bits", fmt::format("{} changed between passes", count(result, "unstable_bits")));
  out += row("corrected bits", fmt::format("{} mended by the code", count(result, "corrected_bits")));
  if (const json::Value* rate = result.if_contains("raw_error_rate"); rate && !rate->is_null())
    out += row("error rate", fmt::format("{:.2e} per bit after the vote", real(result, "raw_error_rate")));
  return out + row("SHA-256", word(result, "sha256"));
}

std::string print_diagnose(const json::Object& result) {
  std::string out;
  int rank = 0;
  for (const json::Value& value : list(result, "diagnoses")) {
    const json::Object& diagnosis = value.get_object();
    out += fmt::format("{}{}. {}", out.empty() ? "" : "\n", ++rank,
                       word(diagnosis, "says"));
    if (diagnosis.contains("confidence")) out += fmt::format(" ({})", supply::percent(real(diagnosis, "confidence")));
    out += '\n';
    for (const json::Value& evidence : list(diagnosis, "evidence"))
      out += fmt::format("   {}\n", evidence.is_string() ? printable(std::string_view(evidence.get_string())) : json::text_of(evidence));
    if (word(diagnosis, "next_step") != "-") out += fmt::format("   next: {}\n", word(diagnosis, "next_step"));
    if (word(diagnosis, "caution") != "-") out += fmt::format("   caution: {}\n", word(diagnosis, "caution"));
  }
  if (!list(result, "diagnoses").empty())
    out += "\nThe percentages hold within the model of simulated circuits (docs/supply.md): no field figure.\n";
  if (const json::Object* twin = part(result, "twin")) {
    out += fmt::format("\ntwin: {}\n", word(*twin, "says"));
    for (const json::Value& difference : list(*twin, "differences"))
      if (const auto* text = difference.if_string()) out += fmt::format("   {}\n", printable(std::string_view(*text)));
  }
  return out + notes(result);
}

std::string print_cold(const json::Object& result) {
  static const std::map<std::string, std::string_view> kWords = {{"clean", "nothing speaks against power"},
                                                                 {"doubtful", "doubtful: 100 mA at most"},
                                                                 {"open_path", "nothing hangs on the supply: the path is open"},
                                                                 {"shorted", "a short: do not power it"}};
  const auto words = kWords.find(word(result, "verdict"));
  std::string out = row("before power", words == kWords.end() ? word(result, "verdict") : std::string(words->second));
  for (const json::Value& finding : list(result, "findings"))
    if (const auto* text = finding.if_string()) out += row("", printable(std::string_view(*text)));
  if (const json::Value* kept = result.if_contains("kept_as_twin"); kept && kept->is_bool())
    out += row("as twin", kept->get_bool() ? "kept" : "not kept");
  return out + notes(result);
}

std::string print_keep_twin(const json::Object& result) {
  return row("twin", word(result, "twin")) + row("board number", word(result, "board_number")) +
         (word(result, "controller").empty() ? "" : row("controller", word(result, "controller"))) +
         row("runs", word(result, "runs")) + notes(result);
}

std::string print_drop_twin(const json::Object& result) {
  std::string out =
      row("twin", word(result, "twin")) + row("board number", word(result, "board_number")) + row("controller", word(result, "controller"));
  for (const json::Value& value : list(result, "runs")) {
    const json::Object& run = value.get_object();
    const std::string about = word(run, "error") == "-"
                                  ? fmt::format("{:.1f} s, {} samples: {} ({})", real(run, "seconds"), word(run, "samples"),
                                                word(run, "says"), supply::percent(real(run, "confidence")))
                                  : word(run, "error");
    out += row("run " + word(run, "run"), about);
  }
  if (word(result, "dropped") != "-")
    out += row("taken out", "kept on the disk as " + word(result, "dropped") + ", no longer compared with");
  return out + row("runs left", word(result, "runs_kept")) + notes(result);
}

std::string print_plot(const json::Object& result) {
  return row("drawing", word(result, "to")) +
         row("verdict", fmt::format("{} ({} within the model)", word(result, "says"), supply::percent(real(result, "confidence")))) +
         notes(result);
}

std::string print_record(const json::Object& result) {
  std::string out;
  if (const json::Object* cold = part(result, "check_before_power")) out += print_cold(*cold);
  out += row("power-up", fmt::format("number {}{}", count(result, "power_up"),
                                     word(result, "patient") == "-" ? " of sticks without a name" : " of " + word(result, "patient")));
  out += row("trace", word(result, "trace")) + row("samples", word(result, "samples"));
  out +=
      row("limit", word(result, "limit_mA") + " mA") + row("tripped", flag(result, "tripped") ? "yes: the limiter cut the supply" : "no");
  out += row("highest", fmt::format("{:.1f} mA", real(result, "peak_mA")));
  if (count(result, "gaps") > 0) out += row("gaps", fmt::format("{}: samples were lost there", count(result, "gaps")));
  return out + "\n" + print_diagnose(result);
}

std::string print_socket(const json::Object& result) {
  std::string out;
  for (const json::Value& value : list(result, "cases")) {
    const json::Object& one = value.get_object();
    out += row(word(one, "case"), word(one, "verdict") + (list(one, "pins").empty() ? "" : " " + json::text_of(list(one, "pins"))));
  }
  if (!out.empty()) return out;
  for (const json::Value& line : list(result, "drawing")) out += std::string(line.get_string()) + "\n";
  out += "\n" + row("socket", word(result, "text"));
  if (!list(result, "pins").empty()) out += row("look at pins", json::text_of(list(result, "pins")));
  if (word(result, "verdict") == "seated") out += row("measured as", word(result, "map"));
  if (!flag(result, "power_allowed")) out += row("chip power", "refused until this is mended");
  if (result.contains("svg")) out += row("drawing", word(result, "svg"));
  return out + notes(result);
}

std::string print_board_list(const json::Object& result) {
  std::string out;
  for (const json::Value& value : list(result, "boards")) {
    const json::Object& board = value.get_object();
    out += row(word(board, "board"),
               fmt::format("at {}, {}, device release {}", word(board, "place"), word(board, "speed"), word(board, "device_release")));
    if (const json::Object* held = part(board, "held"))
      out += row("", fmt::format("held by {} {} (process {}) since {}", word(*held, "program"), word(*held, "method"),
                                 count(*held, "process"), word(*held, "since")));
    for (const json::Value& one : list(board, "remarks")) {
      const json::Object& remark = one.get_object();
      out += row("", fmt::format("{}: {}", flag(remark, "problem") ? "problem" : "warning", word(remark, "what"))) +
             row("", "next: " + word(remark, "next"));
    }
  }
  if (out.empty()) out = row("boards", "none is on USB");
  for (const json::Value& value : list(result, "findings")) {
    const json::Object& found = value.get_object();
    out += row(word(found, "check"), word(found, "found")) + row("", "cure: " + word(found, "cure"));
  }
  if (word(result, "next") != "-") out += row("next", word(result, "next"));
  return out;
}

std::string print_board_check(const json::Object& result) {
  std::string out = row("board", word(result, "board"));
  for (const json::Value& value : list(result, "items")) {
    const json::Object& item = value.get_object();
    const std::string outcome = word(item, "outcome");
    out += row(word(item, "item"), (outcome == "passed"   ? "ok: "
                                    : outcome == "failed" ? "FAILED: "
                                                          : "not checked: ") +
                                       word(item, "text"));
  }
  out += row("board check", flag(result, "passed") ? "nothing failed" : "FAILED: do not trust what this board measures");
  if (!flag(result, "passed"))
    out += row("next", "mend the board, or correct the load that was named, and run board check again: the newest check counts, this one "
                       "stays on file");
  if (result.contains("insertions"))
    out += row("insertions", counted(count(result, "insertions"), "contact check") + " that found a chip, since this bench began");
  if (result.contains("report")) out += row("report", word(result, "report"));
  return out;
}

std::string print_board_conform(const json::Object& result) {
  std::string out = row("board", fmt::format("{}, {}, firmware {}, protocol {}", word(result, "board"), word(result, "name"),
                                             word(result, "firmware"), count(result, "protocol")));
  for (const json::Value& value : list(result, "duties")) {
    const json::Object& duty = value.get_object();
    const std::string outcome = word(duty, "outcome");
    out += fmt::format("{:<22} {:<7} {}\n", word(duty, "duty"),
                       outcome == "passed"   ? "ok"
                       : outcome == "failed" ? "FAILED"
                                             : "n/a",
                       word(duty, "text"));
    if (outcome != "failed") continue;
    out += fmt::format("{:<30} the duty: {}\n", "", word(duty, "asks"));
    if (const std::string limit = word(duty, "limit"); limit != "-" && !limit.empty())
      out += fmt::format("{:<30} measured {:g} {}, should be {}\n", "", real(duty, "measured"), word(duty, "unit"), limit);
  }
  const json::Object* counts = part(result, "counts");
  const auto of = [&](std::string_view name) { return counts ? count(*counts, name) : 0; };
  return out +
         row("conformance", fmt::format("{} passed, {} failed, {} not applicable", of("passed"), of("failed"), of("not_applicable"))) +
         (flag(result, "passed") ? "" : "not a board for a patient's chip: mend what failed first (PROTOCOL.md, docs/board.md)\n");
}

// The words of verdicts.csv, said in full.
constexpr std::pair<std::string_view, std::string_view> kCauses[] = {
    {"weak_cells", "weak cells, spread over the page"},
    {"one_lane", "one I/O lane: look at that contact"},
    {"columns", "the same columns in many pages"},
    {"charge_loss", "cells that lost charge (0 read as 1)"},
    {"disturb", "disturbed cells (1 read as 0)"},
    {"first_bytes", "the first bytes of the page: timing"},
    {"follows_rail", "changes with the supply"},
    {"word_line", "neighbours on the word line waver too"},
    {"transfer", "did not come over the link whole"},
    {"chip_busy", "the chip did not become ready"},
    {"unknown", "no pattern stands out"}};

std::string cause_rows(const json::Object& result) {
  std::string out;
  const json::Object* causes = part(result, "causes");
  if (causes == nullptr || causes->empty()) return out;
  out += row("why", "pages that waver or are missing, by pattern");
  for (const auto& [name, meaning] : kCauses)
    if (const std::uint64_t pages = count(*causes, name)) out += fmt::format("  {:<14} {:<8} {}\n", name, pages, meaning);
  return out;
}

// Where to look first; verdicts.csv has them all.
std::string unsafe_rows(const json::Object& result) {
  constexpr std::size_t kShown = 8;
  const json::Array& runs = list(result, "unsafe_pages");
  std::string out;
  for (std::size_t i = 0; i < std::min(runs.size(), kShown); ++i) {
    const json::Object& run = runs[i].get_object();
    const std::uint64_t first = count(run, "first_page"), pages = count(run, "count");
    out += row(word(run, "verdict"), run_text("page", first, pages) + place_text(run));
  }
  if (runs.size() > kShown) out += row("", "and more: verdicts.csv in the image lists every page");
  return out;
}

std::string print_image(const json::Object& result) {
  std::string out = row("image", word(result, "image"));
  // Imported passes come without a maker.
  if (const std::string maker = word(result, "maker"); maker != "-" && !maker.empty())
    out += row("chip", fmt::format("{} {}", word(result, "maker"), word(result, "id_bytes")));
  return out + verdict_rows(result) + cause_rows(result) + unsafe_rows(result) + timing_rows(result) + notes(result);
}

std::string print_ecc_check(const json::Object& result) {
  std::string out =
      row("checked", fmt::format("{} {}, {}", word(result, "kind"), word(result, "from"), counted(count(result, "pages"), "page")));
  // First of all: nothing of what follows is a result then.
  const bool explains_nothing = flag(result, "explains_nothing");
  if (explains_nothing) out += row("explains", "nothing: " + word(result, "because"));
  if (explains_nothing && count(result, "codewords") > 0) out += row("", "what follows is counted by this scheme, and no result");
  out +=
      row("codewords", fmt::format("{}: {} clean, {} corrected, {} failed; {} erased ones beside", count(result, "codewords"),
                                   count(result, "clean"), count(result, "corrected"), count(result, "failed"), count(result, "erased")));
  const json::Array& histogram = list(result, "histogram");
  for (std::size_t errors = 0; errors < histogram.size(); ++errors)
    if (const std::string steps = json::text_of(histogram[errors]); steps != "0")
      out += fmt::format("  {:>3} wrong      {}\n", errors, steps);
  out += row("corrected bits", word(result, "corrected_bits"));
  if (word(result, "raw_error_rate") != "-") out += row("error rate", fmt::format("{:.2e} per bit", real(result, "raw_error_rate")));
  const json::Object *verdicts = part(result, "verdicts"), *erased = part(result, "erased_verdicts");
  for (const auto& [name, meaning] : kMeaning)
    if (const std::uint64_t pages = verdicts && erased ? count(*verdicts, name) - count(*erased, name) : 0)
      out += fmt::format("  {:<14} {:<8} {}\n", name, pages,
                         explains_nothing && name != "unread" ? "worth nothing, as the scheme is" : meaning);
  if (const std::uint64_t pages = count(result, "erased_pages"))
    out += row("erased pages",
               fmt::format("{}, apart from the above: {} all FF, {} with zeros ({} in all)", pages, count(*erased, "confirmed"),
                           pages - count(*erased, "confirmed"), counted(count(result, "erased_bits"), "bit")));
  return out + notes(result);
}

std::string words_of(const json::Array& values) {
  std::string out;
  for (const json::Value& value : values) {
    std::string word(value.get_string());
    std::replace(word.begin(), word.end(), '_', ' ');
    out += (out.empty() ? "" : ", ") + word;
  }
  return out;
}

std::string tried_rows(const json::Object& result) {
  std::string out;
  for (const json::Value& value : list(result, "tried")) {
    const json::Object& part = value.get_object();
    std::string what = fmt::format("{}, steps of {}", word(part, "code"), count(part, "step_bytes"));
    if (const std::uint64_t m = count(part, "m")) {
      const json::Array& polynomials = list(part, "polynomials");
      what +=
          fmt::format(", m {}, {}", m, polynomials.size() > 4 ? fmt::format("{} polynomials", polynomials.size()) : words_of(polynomials));
    }
    out += row(out.empty() ? "tried" : "",
               fmt::format("{}: {}; {}", what, words_of(list(part, "places")), words_of(list(part, "bit_orders"))));
  }
  return out;
}

std::string unproven_rows(const json::Object& result) {
  std::string out;
  for (const json::Value& value : list(result, "unproven")) {
    const json::Object& part = value.get_object();
    std::string steps;
    for (const json::Value& step : list(part, "steps")) steps += (steps.empty() ? "" : ", ") + json::text_of(step);
    out += row(out.empty() ? "assumed" : "", fmt::format("bytes {} to {}: metadata of step {}", count(part, "offset"),
                                                         count(part, "offset") + count(part, "length") - 1, steps));
  }
  return out;
}

std::string print_ecc_find(const json::Object& result) {
  std::string out;
  if (const json::Object* scheme = part(result, "scheme")) {
    std::string code = word(*scheme, "code");
    if (code == "hamming")
      code += ", " + word(*scheme, "order");
    else
      code += fmt::format(", m {}, t {}, polynomial {}", count(*scheme, "m"), count(*scheme, "t"), word(*scheme, "polynomial"));
    out += row("code", code + ", " + word(*scheme, "bit_order"));
    const json::Array& steps = list(*scheme, "steps");
    out += row("steps", fmt::format("{} a page; the first: {}", steps.size(), steps.empty() ? "-" : json::text_of(steps[0])));
    out += row("mask", word(*scheme, "mask") == "-" ? "none" : word(*scheme, "mask")) + row("erased pages", word(*scheme, "erased"));
    if (word(*scheme, "metadata_place") == "before_data") out += row("metadata", "in front of the data in the codeword");
    out += unproven_rows(result);
    out +=
        row("explains", fmt::format("{} of {}", count(result, "pages_explained"), counted(count(result, "pages_tried"), "written page")));
  } else {
    out += row("code", "no algebraic code found");
    out += row("tried on",
               fmt::format("{}, {} beside", counted(count(result, "pages_tried"), "written page"),
                           counted(count(result, "erased_pages"), "erased one")));
    out += tried_rows(result);
  }
  const std::uint64_t hypotheses = count(result, "hypotheses");
  out += row("search", fmt::format("{} in {:.1f} s", hypotheses == 1 ? "1 hypothesis" : fmt::format("{} hypotheses", hypotheses),
                                   real(result, "seconds")));
  if (word(result, "to") != "-") out += row("file", word(result, "to"));
  return out + notes(result);
}

constexpr std::pair<std::string_view, std::string_view> kContents[] = {{"plain", "plain: contents stand in the pages as they are"},
                                                                       {"scrambled", "scrambled: whitened, and the whitening was found"},
                                                                       {"no_key_found", "no key found: the pages look random"},
                                                                       {"erased", "erased: nothing was written"},
                                                                       {"unsure", "unsure"}};

// The distances at which most pairs cancel.
std::string best_distances(const json::Object& result, std::string_view key, std::string_view unit) {
  const json::Object* cancellation = part(result, "cancellation");
  double most = 0;
  std::string best;
  std::size_t tried = 0;
  if (cancellation != nullptr)
    for (const json::Value& value : list(*cancellation, key)) {
      const json::Array& distance = value.get_array();
      const double pairs = distance[1].to_number<double>(), cancelled = distance[2].to_number<double>();
      if (pairs > 0) ++tried;
      if (pairs > 0 && cancelled / pairs > most) {
        most = cancelled / pairs;
        best = fmt::format("{:.1f} % of the pairs {} apart", 100 * most, counted(distance[0].to_number<std::uint64_t>(), unit));
      }
    }
  const std::string distances = counted(tried, "distance");
  return best.empty() ? fmt::format("none at {} in {}s", distances, unit) : fmt::format("{}, the most of {}", best, distances);
}

std::string whitening_rows(const json::Object& whitening) {
  std::string out;
  if (word(whitening, "kind") == "table") {
    const std::uint64_t blocks = count(whitening, "period_blocks"), step = count(whitening, "step");
    out += row("whitening", fmt::format("{}, {} known: comes back after {}{}", counted(count(whitening, "sequences"), "sequence"),
                                        count(whitening, "known_sequences"), counted(count(whitening, "period_pages"), "page"),
                                        blocks > 1 ? fmt::format(" and {} blocks", blocks)
                                        : step > 0 ? fmt::format(", {} further in each block", step)
                                                   : ""));
  } else {
    out += row("whitening", "by a register with another start on each page");
  }
  if (word(whitening, "repeats_bytes") != "-") out += row("", fmt::format("repeats every {} bytes", count(whitening, "repeats_bytes")));
  if (const json::Object* of = part(whitening, "register"))
    out += row("register", fmt::format("{} stages, polynomial {}, {}, started every {} bytes", count(*of, "stages"),
                                       word(*of, "polynomial"), word(*of, "bit_order"), count(*of, "restart_bytes")));
  if (const json::Object* verified = part(whitening, "verified"))
    out += row("found on",
               fmt::format("{}; of {} it makes {} plainer, {} noisier", counted(count(whitening, "found_on"), "page"),
                           counted(count(*verified, "pages"), "other"), count(*verified, "plainer"), count(*verified, "noisier"))) +
           row("", fmt::format("{:.2f} bits a byte before, {:.2f} after, in those {}", real(*verified, "entropy_before"),
                               real(*verified, "entropy_after"), count(*verified, "plainer")));
  return out;
}

std::string print_assess(const json::Object& result) {
  std::string out = row("assessed", fmt::format("{} {}", word(result, "kind"), word(result, "from")));
  for (const auto& [name, meaning] : kContents)
    if (name == word(result, "content")) out += row("content", meaning);
  out += row("because", word(result, "because"));
  if (const json::Object* pages = part(result, "pages")) {
    out += row("pages", fmt::format("{} read", count(*pages, "read")));
    for (const std::string_view look : {"erased", "constant", "plain", "flat", "other", "unread"})
      if (const std::uint64_t number = count(*pages, look)) out += fmt::format("  {:<14} {}\n", look, number);
  }
  if (word(result, "entropy") != "-")
    out += row("written pages", fmt::format("entropy {:.4f} bits a byte, chi-square {:.1f}, over {}", real(result, "entropy"),
                                            real(result, "chi_square"), human_bytes(count(result, "bytes"))));
  out += row("cancel", best_distances(result, "pages", "page")) + row("", best_distances(result, "blocks", "block"));
  if (const json::Object* complexity = part(result, "linear_complexity"))
    for (const auto& [key, name] : {std::pair{"constant_pages", "constant pages"}, {"pages", "pages"}, {"xors", "XORs of pages"}})
      if (const json::Object* figures = part(*complexity, key))
        out += row("complexity", fmt::format("{}: lowest {}, median {} of {} bits, over {}", name, count(*figures, "lowest"),
                                             count(*figures, "median"), count(*complexity, "of_bits"), count(*figures, "measured")));
  if (const json::Object* whitening = part(result, "whitening")) out += whitening_rows(*whitening);
  if (word(result, "to") != "-") out += row("file", word(result, "to"));
  return out + notes(result);
}

std::string print_verify(const json::Object& result) {
  return fmt::format("{}: all {} files match their recorded hashes\n", word(result, "image"), count(result, "files"));
}

constexpr std::pair<std::string_view, std::string_view> kUnwhitening[] = {
    {"proven", "taken off, as the pages themselves show"},
    {"assumed",
     "taken off by a sequence that other pages here speak for; these look random either way, as compressed "
     "contents do"},
    {"partly", "taken off where the register was caught; the rest of these pages stands as it is in the image"},
    {"not_caught", "unchanged: nowhere constant for long enough to catch the register"},
    {"unproven", "unchanged: they look random either way, and no page here speaks for the key's sequence"},
    {"unknown_sequence", "unchanged: the key has no sequence for them"},
    {"plainer", "unchanged: plainer as they stand"},
    {"erased", "unchanged: erased"}};

std::string unwhitening_rows(const json::Object& result) {
  constexpr std::size_t kShown = 10;
  const json::Object* outcomes = part(result, "unwhitening");
  if (outcomes == nullptr) return "";
  std::string out = row("unwhitened", counted(count(result, "unwhitened"), "page"));
  for (const auto& [name, meaning] : kUnwhitening)
    if (const std::uint64_t pages = count(*outcomes, name)) out += fmt::format("  {:<16} {:<6} {}\n", name, pages, meaning);
  const json::Array& left = list(*outcomes, "left");
  for (std::size_t i = 0; i < std::min(left.size(), kShown); ++i) {
    const json::Object& run = left[i].get_object();
    out += row(word(run, "why"), run_text("page", count(run, "first_page"), count(run, "count")) + place_text(run));
  }
  if (left.size() > kShown) out += row("", "and more: --json lists them");
  return out;
}

std::string print_export(const json::Object& result) {
  std::string out = row("file", word(result, "to")) + row("pages", word(result, "pages"));
  for (const std::string_view verdict : {"doubtful", "unread"})
    if (const std::uint64_t pages = count(result, verdict)) out += fmt::format("  {:<14} {:<8} {}\n", verdict, pages, meaning_of(verdict));
  out += unwhitening_rows(result);
  return out + row("size", human_bytes(count(result, "bytes"))) + row("SHA-256", word(result, "sha256"));
}

std::string holder(const json::Object& of) {
  return fmt::format("{} (process {}) since {}", word(of, "program"), count(of, "process"), word(of, "since"));
}

std::string print_status(const json::Object& result) {
  std::string out;
  if (const json::Object* daemon = part(result, "daemon")) {
    out += row("daemon",
               fmt::format("steadycell {}, process {}, since {}, {}", word(*daemon, "version"), count(*daemon, "process"),
                           word(*daemon, "since"), counted(std::max<std::uint64_t>(count(*daemon, "clients"), 1) - 1, "other client")));
    for (const json::Value& value : list(*daemon, "jobs")) {
      const json::Object& job = value.get_object();
      std::string line = fmt::format("{} on {} for {}", word(job, "method"), word(job, "board"), holder(job));
      if (const json::Object* now = part(job, "progress"))
        line += fmt::format(": {}, {} of {} {}", word(*now, "stage"), count(*now, "done"), count(*now, "total"), word(*now, "unit"));
      if (flag(job, "stopping")) line += ", stopping";
      out += row(fmt::format("job {}", count(job, "job")), line);
    }
  } else {
    out += row("daemon", "none runs: commands work by themselves");
  }
  for (const json::Value& value : list(result, "boards_held")) {
    const json::Object& held = value.get_object();
    out += row("board", fmt::format("{}: {} by {}", word(held, "board"), word(held, "method"), holder(held)));
  }
  return out;
}

std::string print_doctor(const json::Object& result) {
  std::string out;
  for (const json::Value& value : list(result, "findings")) {
    const json::Object& found = value.get_object();
    out += fmt::format("{:<8} {:<16} {}\n", word(found, "state"), word(found, "check"), word(found, "found"));
    if (word(found, "cure") != "-") out += fmt::format("{:<25} cure: {}\n", "", word(found, "cure"));
  }
  return out + (flag(result, "healthy") ? "nothing stands in the way of work\n" : "see the problems above\n");
}

std::string print_import(const json::Object& result) {
  const std::uint64_t given = count(result, "passes"), held = count(result, "passes_held");
  return row("capture", word(result, "capture")) +
         row("passes",
             held == given ? fmt::format("{}", given) : fmt::format("{} given, {} in the capture", given, held)) +
         row("pages", word(result, "pages")) + notes(result);
}

}  // namespace

std::string text_for_people(std::string_view method, const json::Object& result) {
  static const std::map<std::string_view, std::string (*)(const json::Object&)> kPrinters = {{"chip.identify", print_identify},
                                                                                             {"chip.decode", chip_facts},
                                                                                             {"chip.read", print_read},
                                                                                             {"capture.import", print_import},
                                                                                             {"capture.settle", print_image},
                                                                                             {"image.show", print_image},
                                                                                             {"capture.export", print_pass},
                                                                                             {"capture.verify", print_capture_verify},
                                                                                             {"image.verify", print_verify},
                                                                                             {"image.export", print_export},
                                                                                             {"supply.record", print_record},
                                                                                             {"supply.diagnose", print_diagnose},
                                                                                             {"supply.cold", print_cold},
                                                                                             {"supply.keep_twin", print_keep_twin},
                                                                                             {"supply.drop_twin", print_drop_twin},
                                                                                             {"supply.plot", print_plot},
                                                                                             {"socket.check", print_socket},
                                                                                             {"socket.judge", print_socket},
                                                                                             {"board.check", print_board_check},
                                                                                             {"board.conform", print_board_conform},
                                                                                             {"board.list", print_board_list},
                                                                                             {"ecc.find", print_ecc_find},
                                                                                             {"ecc.check", print_ecc_check},
                                                                                             {"image.assess", print_assess},
                                                                                             {"status", print_status},
                                                                                             {"doctor", print_doctor}};
  const auto printer = kPrinters.find(method);
  return printer == kPrinters.end() ? json::text_of(result) + "\n" : printer->second(result);
}

}  // namespace steadycell::cli
