#include "cli/print_image.h"

#include <fmt/format.h>

#include <algorithm>
#include <utility>

#include "base/text.h"
#include "cli/rows.h"

namespace steadycell::cli {
namespace {

constexpr std::pair<std::string_view, std::string_view> kMeaning[] = {
    {"confirmed", "the code says right as voted"},
    {"corrected", "the code changed bits, and is right within the stated odds"},
    {"steady", "all passes agree; without a code nobody knows more"},
    {"doubtful", "do not rely on these"},
    {"unread", "in no pass, or read and lost since; filled, not data"}};

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
  return fmt::format(", of {}; the chip has {}", which, counted(of_chip, "block"));
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

}  // namespace

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

namespace {

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

}  // namespace

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

namespace {

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

}  // namespace

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

namespace {

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

}  // namespace

std::string print_export(const json::Object& result) {
  std::string out = row("file", word(result, "to")) + row("pages", word(result, "pages"));
  for (const std::string_view verdict : {"doubtful", "unread"})
    if (const std::uint64_t pages = count(result, verdict)) out += fmt::format("  {:<14} {:<8} {}\n", verdict, pages, meaning_of(verdict));
  out += unwhitening_rows(result);
  return out + row("size", human_bytes(count(result, "bytes"))) + row("SHA-256", word(result, "sha256"));
}

}  // namespace steadycell::cli
