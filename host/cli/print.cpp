#include "cli/print.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>

#include "base/text.h"
#include "cli/print_capture.h"
#include "cli/print_image.h"
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

std::string print_read(const json::Object& result) {
  std::string out = row("capture", word(result, "capture"));
  out += row("chip", fmt::format("{} {}", word(result, "maker"), word(result, "id_bytes")));
  out += row("passes",
             fmt::format("{} over {}", count(result, "passes"),
                         run_text("block", count(result, "first_block"), count(result, "last_block") - count(result, "first_block") + 1)));
  std::string held = fmt::format("{} now, {} held before", count(result, "units_read"), count(result, "units_held"));
  if (const std::uint64_t without = count(result, "units_without_bytes")) held += fmt::format(", {} of them without their bytes", without);
  out += row("blocks read", held);
  out += row("moved", fmt::format("{} in {:.1f} s", human_bytes(count(result, "bytes")), real(result, "seconds")));
  out += row("not transferred", counted(count(result, "pages_not_transferred"), "page"));
  if (const std::uint64_t busy = count(result, "pages_timed_out"))
    out += row("chip stayed busy", counted(busy, "page") + ": kept as not read");
  out += row("journal head", word(result, "journal_head"));
  return out + timing_rows(result) + notes(result);
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

// Which twin it is.
std::string twin_rows(const json::Object& result) {
  std::string rows = row("twin", word(result, "twin")) + row("board number", word(result, "board_number"));
  if (const std::string controller = word(result, "controller"); !controller.empty()) rows += row("controller", controller);
  return rows;
}

std::string print_keep_twin(const json::Object& result) {
  return twin_rows(result) + row("runs", word(result, "runs")) + notes(result);
}

std::string print_drop_twin(const json::Object& result) {
  std::string out = twin_rows(result);
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
