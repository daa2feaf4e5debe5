#include "base/text.h"
#include "passes/layout.h"
#include "passes/verify.h"
#include "service/methods.h"
#include "service/settle_hooks.h"

namespace steadycell::service {
namespace {

// Up to here a chip is tried without a word of the user.
constexpr std::uint32_t kTriedWithoutConsent_mV = 1800;

// A path as one word of a command line that can be typed as it stands.
std::string shell_word(const std::string& path) {
  constexpr std::string_view kPlain = "/._-+,:@%0123456789abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ";
  if (!path.empty() && path.front() != '-' && path.find_first_not_of(kPlain) == std::string::npos) return path;
  std::string quoted = "'";
  for (const char c : path) quoted += c == '\'' ? std::string("'\\''") : std::string(1, c);
  return (!path.empty() && path.front() == '-' ? "./" : "") + quoted + "'";
}

std::string blocks_text(BlockAddress first, std::uint32_t count) {
  return count == 1 ? fmt::format("{}", first.index) : fmt::format("{}-{}", first.index, first.index + count - 1);
}

// The commands that read again what is no longer whole. Imported passes are read nowhere: they are imported anew.
json::Array mend_commands(const std::string& capture, const passes::CaptureVerification& verified) {
  json::Array commands;
  const passes::CaptureHead& head = verified.head;
  if (head.origin != "board") {
    if (!verified.whole())
      commands.emplace_back(
          fmt::format("steadycell capture import PASS... --page-bytes {} --spare-bytes {} --pages-per-block {} --into NEW",
                      head.geometry.page_bytes, head.geometry.spare_bytes, head.geometry.pages_per_block));
    return commands;
  }
  const std::string consent = head.supply_mV > kTriedWithoutConsent_mV ? fmt::format(" --supply-mV {}", head.supply_mV) : "";
  for (const passes::MendRun& run : verified.mends)
    commands.emplace_back(fmt::format("steadycell chip read --board usb:{}{} --passes {} --blocks {} --into {}", head.board_uuid,
                                      consent, run.passes, blocks_text(run.first, run.count), shell_word(capture)));
  return commands;
}

json::Array passes_json(const std::vector<passes::VerifiedPass>& passes) {
  json::Array array;
  for (const passes::VerifiedPass& pass : passes)
    array.push_back(json::Object{{"pass", pass.pass}, {"sealed", pass.sealed}, {"recorded", pass.recorded}, {"whole", pass.whole},
                                 {"damaged", pass.damaged}, {"missing", pass.missing}, {"unrecorded", pass.unrecorded},
                                 {"pages_not_read", pass.pages_not_read}});
  return array;
}

json::Array faults_json(const std::vector<passes::FaultRun>& runs) {
  json::Array array;
  for (const passes::FaultRun& run : runs)
    array.push_back(json::Object{{"pass", run.pass}, {"target", run.place.target}, {"lun", run.place.lun}, {"first_block", run.first.index},
                                 {"count", run.count}, {"fault", passes::name_of(run.fault)}, {"why", run.why}, {"made_up", run.made_up}});
  return array;
}

json::Object journal_json(const passes::CaptureVerification& verified) {
  json::Array damages;
  for (const passes::Damage& damage : verified.journal_damages)
    damages.push_back(json::Object{{"offset", damage.offset}, {"bytes", damage.bytes}, {"why", damage.why}});
  return {{"whole", verified.journal_whole},
          {"chain_whole", verified.chain_whole},
          {"chain_break", verified.chain_break ? json::Value(*verified.chain_break) : json::Value(nullptr)},
          {"damages", std::move(damages)},
          {"damage_count", verified.journal_damage_count},
          {"damaged_bytes", verified.journal_damaged_bytes},
          {"torn_bytes", verified.torn_bytes},
          {"unnamed", passes::to_json(verified.unnamed)},
          {"end_lost", verified.end_lost},
          {"end_was_lost", verified.end_was_lost},
          {"dropped_units", verified.dropped_units},
          {"closed", verified.closed},
          {"head", to_text(verified.journal_head)}};
}

std::uint64_t unnamed_total(const passes::CaptureVerification& verified) {
  std::uint64_t bytes = 0;
  for (const passes::UnnamedBytes& found : verified.unnamed) bytes += found.bytes;
  return bytes;
}

// Pass files that are not there, or have something else in their place; not those whose units are lost with pass 1.
std::string missing_files(const passes::CaptureVerification& verified) {
  std::string names;
  for (const passes::VerifiedPass& pass : verified.passes)
    if (pass.without_file) names += fmt::format("{}{}", names.empty() ? "" : ", ", passes::pass_name(pass.pass));
  return names;
}

json::Array notes_on(const passes::CaptureVerification& verified) {
  json::Array notes;
  const bool of_board = verified.head.origin == "board";
  const bool has_hole = !verified.chain_whole || verified.journal_damage_count > 0;
  if (has_hole)
    notes.emplace_back(
        "nothing mends the journal itself: what stands behind the hole still counts, but the chain no longer vouches for the order; "
        "keep this capture as it is; a copy of the journal goes into a copy of the capture, since this one alone names what was read "
        "later");
  if (const std::string missing = missing_files(verified); !missing.empty())
    notes.emplace_back(fmt::format(
        "first look for a copy of {}: it goes back into its place (move away what stands there), and verifying again tells what is left to "
        "be read",
        missing));
  else if (verified.whole_units < verified.units)
    notes.emplace_back(
        "a pass file from a copy of the capture, from before the damage, brings back what is lost: look for one first, and keep the one "
        "here, which may hold what was read since");
  if (verified.torn_bytes > 0)
    notes.emplace_back(
        fmt::format("the journal ends in {} of no whole record: a read was cut short, or its very end is damaged; "
                    "{} takes them off",
                    counted(verified.torn_bytes, "byte"), of_board ? "going on" : "the same capture import"));
  if (verified.end_lost)
    notes.emplace_back(fmt::format(
        "the journal lost its end: pass files hold more bytes that no record names than a killed program or a power cut leaves. A copy of "
        "the journal that goes on further takes its place (keep this one beside it), and its head is compared with the one that was "
        "printed or kept: those bytes are never overwritten{}",
        of_board ? "; without a copy, the same chip read as before, with the same --passes, reads again what is missing" : ""));
  if (verified.end_was_lost)
    notes.emplace_back(fmt::format(
        "the journal had lost its end when the capture was gone on with; the bytes that it no longer named are still there. A copy of the "
        "journal from before finds them in a copy of the whole capture: this one alone names what was read since{}",
        of_board ? "; without one, the same chip read as at first, with the same --passes, reads again what was lost, where that is not "
                   "done yet"
                 : ""));
  if (!verified.end_lost && !verified.unnamed.empty())
    notes.emplace_back(fmt::format(
        "pass files end in {} that no record of the journal names: a killed program or a power cut leaves such, and so does a journal that "
        "lost a little of its end; the head, compared with the one that was printed or kept, tells which. They are never overwritten",
        counted(unnamed_total(verified), "byte")));
  if (has_hole && !verified.end_lost && of_board && verified.mends.empty())
    notes.emplace_back(
        "what the hole swallowed and cannot be named, if anything, is read by the same chip read as before, with the same --passes");
  if (verified.usual_passes < verified.read_passes)
    notes.emplace_back(fmt::format(
        "of the {} passes that most blocks were read in, {} can be relied on: a block with as many whole is not asked for again",
        verified.read_passes, verified.usual_passes));
  if (!verified.mends.empty() && of_board)
    notes.emplace_back(
        "a board that is not reached over USB is named as in the first read; damaged units stay in the capture as they are, and never "
        "vote");
  if (!of_board && !verified.whole())
    notes.emplace_back("these passes were read elsewhere: import the same files, in the same order, into a new capture");
  if (verified.beyond_mending > 0)
    notes.emplace_back(fmt::format("{} would need more than {} passes: read into a new capture what is there",
                                   counted(verified.beyond_mending, "block"), passes::UnitIndex::kMaxPass));
  return notes;
}

}  // namespace

Result<json::Object> capture_verify(json::Reader& params, const JobHooks& hooks) {
  const auto capture = params.text("capture");
  if (!capture) return failure(capture.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  const auto verified = passes::verify_capture(files::posix(), *capture, passes_hooks(hooks, "verifying", "units"));
  if (!verified) return failure(verified.error());
  json::Object result{{"capture", *capture}, {"uuid", verified->head.uuid}, {"whole", verified->whole()}};
  result["units"] = verified->units;
  result["whole_units"] = verified->whole_units;
  result["bytes"] = verified->bytes;
  result["usual_passes"] = verified->usual_passes;
  result["passes"] = passes_json(verified->passes);
  result["faults"] = faults_json(verified->faults);
  result["faults_left_out"] = verified->faults_left_out;
  result["mend"] = mend_commands(*capture, *verified);
  result["mend_left_out"] = verified->mends_left_out;
  result["journal"] = journal_json(*verified);
  result["notes"] = notes_on(*verified);
  return result;
}

}  // namespace steadycell::service
