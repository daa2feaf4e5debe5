#include "cli/print_capture.h"

#include <fmt/format.h>

#include <algorithm>

#include "base/text.h"
#include "cli/rows.h"

namespace steadycell::cli {
namespace {

constexpr std::size_t kRunsShown = 8;

std::string journal_rows(const json::Object& journal) {
  const bool end_lost = flag(journal, "end_lost");
  std::string state = flag(journal, "whole")          ? "whole, every record follows its forerunner"
                      : end_lost                      ? "DAMAGED: it lost its end"
                      : flag(journal, "end_was_lost") ? "DAMAGED: it had lost its end before it was gone on with"
                                                      : "DAMAGED";
  if (!flag(journal, "closed") && !end_lost) state += "; not closed: the last read was cut short, or its end is lost";
  std::string out = row("journal", state);
  const json::Array& damages = list(journal, "damages");
  for (std::size_t i = 0; i < std::min(damages.size(), kRunsShown); ++i) {
    const json::Object& damage = damages[i].get_object();
    out += row("", fmt::format("byte {}, {}: {}", count(damage, "offset"), counted(count(damage, "bytes"), "byte"), word(damage, "why")));
  }
  const std::uint64_t places = count(journal, "damage_count");
  if (places > kRunsShown) out += row("", fmt::format("and {} more places", places - kRunsShown));
  for (const json::Value& value : list(journal, "unnamed")) {
    const json::Object& found = value.get_object();
    out += row("", fmt::format("pass {} has {} behind byte {} that no record names", count(found, "pass"),
                               counted(count(found, "bytes"), "byte"), count(found, "from")));
  }
  if (!flag(journal, "chain_whole")) out += row("", fmt::format("the chain is broken at byte {}", count(journal, "chain_break")));
  return out;
}

std::string pass_row(const json::Object& pass) {
  const std::uint64_t recorded = count(pass, "recorded");
  std::string text = counted(recorded, "block") + ": ";
  text += count(pass, "whole") == recorded ? "all whole" : fmt::format("{} whole", count(pass, "whole"));
  for (const std::string_view fault : {"damaged", "missing", "unrecorded"})
    if (const std::uint64_t blocks = count(pass, fault)) text += fmt::format(", {} {}", blocks, fault);
  if (const std::uint64_t pages = count(pass, "pages_not_read"))
    text += fmt::format("; {} that the chip did not give", counted(pages, "page"));
  if (!flag(pass, "sealed")) text += "; unfinished";
  return row(fmt::format("pass {}", count(pass, "pass")), text);
}

std::string fault_rows(const json::Object& result) {
  std::string out;
  const json::Array& faults = list(result, "faults");
  for (std::size_t i = 0; i < std::min(faults.size(), kRunsShown); ++i) {
    const json::Object& run = faults[i].get_object();
    const std::string blocks = run_text("block", count(run, "first_block"), count(run, "count")) + place_text(run);
    out += row(word(run, "fault"), fmt::format("pass {}, {}: {}{}", count(run, "pass"), blocks, word(run, "why"),
                                               flag(run, "made_up") ? "; as many others are whole as in most blocks" : ""));
  }
  if (faults.size() > kRunsShown) out += row("", fmt::format("and {} more runs of blocks: --json lists them", faults.size() - kRunsShown));
  return out;
}

}  // namespace

std::string print_capture_verify(const json::Object& result) {
  std::string out = row("capture", word(result, "capture"));
  if (const json::Object* journal = part(result, "journal")) out += journal_rows(*journal) + row("journal head", word(*journal, "head"));
  for (const json::Value& pass : list(result, "passes")) out += pass_row(pass.get_object());
  out += fault_rows(result);
  const json::Array& commands = list(result, "mend");
  for (std::size_t i = 0; i < std::min(commands.size(), kRunsShown); ++i) out += row(i == 0 ? "to mend it" : "", word(commands[i]));
  if (commands.size() > kRunsShown) out += row("", fmt::format("and {} more: --json lists them", commands.size() - kRunsShown));
  const json::Array& faults = list(result, "faults");
  const bool made_up = std::all_of(faults.begin(), faults.end(), [](const json::Value& run) { return flag(run.get_object(), "made_up"); });
  if (!faults.empty() && made_up && commands.empty() && count(result, "faults_left_out") == 0)
    out += row("to mend it",
               fmt::format("nothing need be read again for as many whole passes as most blocks have, {} of {}; where the vote needs "
                           "more, chip read with a higher --passes has them",
                           count(result, "usual_passes"), list(result, "passes").size()));
  const std::uint64_t units = count(result, "units"), whole = count(result, "whole_units");
  out += row("verified", flag(result, "whole")
                             ? units == 1 ? "the one unit is as it was read" : fmt::format("all {} units are as they were read", units)
                         : whole == units
                             ? fmt::format("NOT WHOLE: the journal is damaged; all {} units that it names are as they were read", units)
                             : fmt::format("NOT WHOLE: {} of {} recorded units are as they were read", whole, units));
  return out + notes(result);
}

std::string print_pass(const json::Object& result) {
  std::string out = row("file", word(result, "to"));
  for (const json::Value& run : list(result, "coverage")) {
    const json::Object& part = run.get_object();
    const std::uint64_t first = count(part, "first_block"), last = first + count(part, "count") - 1;
    out +=
        row("blocks", fmt::format("{} of target {}, LUN {}", first == last ? fmt::format("{}", first) : fmt::format("{}-{}", first, last),
                                  count(part, "target"), count(part, "lun")));
  }
  const json::Array& missing = list(result, "missing");
  for (std::size_t i = 0; i < std::min(missing.size(), kRunsShown); ++i) {
    const json::Object& run = missing[i].get_object();
    out += row("NOT IN IT", run_text("block", count(run, "first_block"), count(run, "count")) + place_text(run));
  }
  if (missing.size() > kRunsShown)
    out += row("", fmt::format("and {} more runs of blocks: --json lists them", missing.size() - kRunsShown));
  out += row("pages", word(result, "pages"));
  if (const std::uint64_t pages = count(result, "not_read"))
    out += row("not read", counted(pages, "page") + ": filler instead of their bytes");
  return out + row("size", human_bytes(count(result, "bytes"))) + row("SHA-256", word(result, "sha256")) + notes(result);
}

}  // namespace steadycell::cli
