#include <chrono>
#include <cmath>
#include <map>
#include <set>
#include <thread>
#include <tuple>

#include "ecc/scheme.h"
#include "files/atomic.h"
#include "passes/head.h"
#include "service/methods.h"
#include "service/results.h"
#include "service/settle_hooks.h"
#include "settle/code_check.h"
#include "settle/code_search.h"
#include "settle/judge.h"

namespace steadycell::service {
namespace {

json::Array histogram(const ecc::CodeStatistics& measured) {
  json::Array array;
  for (const std::uint64_t steps : measured.by_bits()) array.emplace_back(steps);
  return array;
}

std::string rule_says(const settle::CodeCheck& check) {
  const auto count = [&](image::Verdict verdict) { return check.verdicts.pages[static_cast<std::size_t>(verdict)]; };
  const std::uint64_t vouched = count(image::Verdict::confirmed) + count(image::Verdict::corrected);
  std::string text = fmt::format(
      "more than {} wrong in a codeword with a chance of at most {:.1e}: {} of {} pages meet the bound of {:.0e} on a false verdict",
      check.measured.t(), check.more_than_t, vouched, check.pages, settle::kMostFalseOdds);
  if (check.measured.failed() > 0) text += fmt::format("; codewords with more wrong than the code corrects: {}", check.measured.failed());
  return text;
}

constexpr std::uint64_t kLeastPages = 8;  // that ecc find asks for

// Pages without this code fit as well with a chance of at most this, or the scheme explains nothing.
constexpr double kMostChance = 1e-6;

std::string nothing_explained(const settle::CodeCheck& check) {
  const search::Evidence::Count& evidence = check.evidence;
  if (check.measured.codewords() == 0)
    return check.measured.erased() == 0 ? "no page was read"
                                        : "nothing is written in these pages: whether this scheme is right they cannot tell. Check it on "
                                          "pages that hold data";
  if (evidence.telling == 0)
    return "all codewords are nearly all zeros or nearly all ones, which decode under many "
           "codes. Check it on pages with other contents";
  return fmt::format(
      "{} of {} codewords with different code bytes decode, no more than pages without this code might show "
      "by chance. Look for the right one with ecc find",
      evidence.decoded, evidence.telling);
}

// The parts of a search, those alike but for the field and the orders together.
json::Array tried_json(const std::vector<search::Task>& tasks) {
  static constexpr std::string_view kCodes[] = {"bch", "hamming", "reed_solomon"};
  static constexpr std::string_view kPlaces[] = {"in_spare", "metadata_apart", "metadata_before_data", "in_chunks"};
  struct Part {
    std::set<std::string> polynomials, places, bit_orders;
  };
  std::map<std::tuple<ecc::CodeKind, unsigned, std::uint32_t>, Part> parts;
  for (const search::Task& task : tasks) {
    Part& part = parts[{task.code, task.m, task.step_bytes}];
    if (task.code != ecc::CodeKind::hamming) part.polynomials.insert(fmt::format("0x{:x}", task.polynomial));
    part.places.insert(
        std::string(task.code == ecc::CodeKind::hamming ? "anywhere_in_spare" : kPlaces[static_cast<std::size_t>(task.family)]));
    part.bit_orders.insert(task.bit_order == ecc::BitOrder::msb_first ? "msb_first" : "lsb_first");
  }
  const auto list = [](const std::set<std::string>& words) { return json::Array(words.begin(), words.end()); };
  json::Array out;
  for (const auto& [key, part] : parts) {
    const auto& [code, m, step_bytes] = key;
    json::Object object{{"code", kCodes[static_cast<std::size_t>(code)]}, {"step_bytes", step_bytes}};
    object["m"] = m > 0 ? json::Value(m) : json::Value(nullptr);
    object["polynomials"] = list(part.polynomials);
    object["places"] = list(part.places);
    object["bit_orders"] = list(part.bit_orders);
    out.push_back(std::move(object));
  }
  return out;
}

json::Array unproven_json(const std::vector<search::Unproven>& unproven) {
  json::Array out;
  for (const search::Unproven& entry : unproven) {
    const bool constant = entry.why == search::Unproven::Why::constant;
    out.push_back(json::Object{{"offset", entry.bytes.offset},
                               {"length", entry.bytes.length},
                               {"steps", json::Array(entry.steps.begin(), entry.steps.end())},
                               {"why", constant ? "constant" : "elsewhere"},
                               {"assumed", "metadata that the code of these steps covers"}});
  }
  return out;
}

void note_assumptions(const search::Found& found, json::Array& notes) {
  std::uint64_t constant = 0, elsewhere = 0;
  for (const search::Unproven& entry : found.unproven)
    (entry.why == search::Unproven::Why::constant ? constant : elsewhere) += entry.bytes.length;
  if (constant > 0)
    notes.emplace_back(
        fmt::format("{} bytes of metadata are assumed, not proven: they are the same in all pages that decode, so these show neither that "
                    "the code covers "
                    "them nor in which step. A page that has others there may fail",
                    constant));
  if (elsewhere > 0)
    notes.emplace_back(fmt::format(
        "{} bytes of metadata are assumed, not proven: other bytes in their place explain the pages as well, as when all steps of a page "
        "hold the same metadata",
        elsewhere));
  if (found.mask_is_derived)
    notes.emplace_back("the mask was read off the pages: constant bytes that the code covers as well would be part of it");
}

}  // namespace

Result<json::Object> ecc_check(json::Reader& params, const JobHooks& hooks) {
  const auto from = params.text("from"), scheme_path = params.text_or("scheme", "");
  if (!from) return failure(from.error());
  if (!scheme_path) return failure(scheme_path.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  auto source = settle::PageSource::open(files::posix(), *from);
  if (!source) return failure(source.error());
  json::Value scheme;
  if (!scheme_path->empty()) {
    auto read = read_scheme(*scheme_path);
    if (!read) return failure(read.error());
    scheme = std::move(*read);
  } else if (source->scheme() != nullptr) {
    scheme = *source->scheme();
  } else {
    return failure(Error(ErrorCode::wrong_usage, fmt::format("{} holds no ECC scheme", printable(*from)))
                       .advising("name one with --scheme, or look for one with ecc find"));
  }
  const auto check = settle::check_code(*source, scheme, settle_hooks(hooks));
  if (!check) return failure(check.error());
  const ecc::CodeStatistics& measured = check->measured;
  json::Object result{{"from", *from}, {"kind", source->is_capture() ? "capture" : "image"}, {"pages", check->pages}};
  result["codewords"] = measured.codewords();
  result["clean"] = measured.clean();
  result["corrected"] = measured.corrected();
  result["failed"] = measured.failed();
  result["erased"] = measured.erased();
  result["erased_pages"] = check->erased_verdicts.total();
  result["erased_bits"] = check->erased_bits;
  result["erased_verdicts"] = to_json(check->erased_verdicts);
  result["corrected_bits"] = measured.corrected_bits();
  result["t"] = measured.t();
  result["histogram"] = histogram(measured);
  result["raw_error_rate"] = measured.codewords() > measured.failed() ? json::Value(measured.bit_error_rate()) : json::Value(nullptr);
  result["more_than_t_odds"] = check->more_than_t;
  result["verdicts"] = to_json(check->verdicts);
  json::Array notes;
  const bool explains_nothing = check->evidence.log_chance() > std::log(kMostChance);
  result["explains_nothing"] = explains_nothing;
  result["evidence"] = json::Object{{"codewords", check->evidence.telling}, {"decoded", check->evidence.decoded}};
  result["because"] = explains_nothing ? json::Value(nothing_explained(*check)) : json::Value(nullptr);
  if (measured.codewords() > 0 && !explains_nothing) notes.emplace_back(rule_says(*check));
  if (!source->is_capture() && source->scheme() != nullptr)
    notes.emplace_back("these are the image's own bytes: its code has corrected them already; check the capture for the raw error rate");
  if (source->passes() > 1) notes.emplace_back(fmt::format("errors are those left after the vote of {} passes", source->passes()));
  result["notes"] = std::move(notes);
  return result;
}

Result<json::Object> ecc_find(json::Reader& params, const JobHooks& hooks) {
  const auto from = params.text("from"), to = params.text_or("to", "");
  if (!from) return failure(from.error());
  if (!to) return failure(to.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  if (const auto free = to->empty() ? Result<void>() : files::check_free(files::posix(), *to); !free) return failure(free.error());
  auto source = settle::PageSource::open(files::posix(), *from);
  if (!source) return failure(source.error());
  const auto begin = std::chrono::steady_clock::now();
  const auto search = settle::find_code(*source, std::max(1u, std::thread::hardware_concurrency()), settle_hooks(hooks));
  if (!search) return failure(search.error());
  const double seconds = std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count();

  json::Object result{
      {"from", *from}, {"scheme", nullptr}, {"pages_explained", 0}, {"pages_tried", search->pages_tried}, {"odds", nullptr}};
  result["erased_pages"] = search->erased_pages;
  result["hypotheses"] = search->hypotheses;
  result["seconds"] = seconds;
  result["hypotheses_per_second"] = seconds > 0 ? static_cast<double>(search->hypotheses) / seconds : 0.0;
  result["to"] = nullptr;
  result["unproven"] = json::Array();
  result["tried"] = tried_json(search->tried);
  json::Array notes;
  if (search->found) {
    result["scheme"] = ecc::to_json(search->found->scheme);
    result["pages_explained"] = search->found->pages_explained;
    result["odds"] = std::pow(10.0, std::max(-300.0, search->found->log10_odds));
    notes.emplace_back(fmt::format("chance of such a fit without this code: at most 1e{:.0f}", search->found->log10_odds));
    result["unproven"] = unproven_json(search->found->unproven);
    note_assumptions(*search->found, notes);
    if (!to->empty()) {
      auto file = files::AtomicFile::create(files::posix(), *to);
      if (!file) return failure(file.error());
      if (const auto put = file->append(as_bytes(ecc::pretty(search->found->scheme))); !put) return failure(put.error());
      if (const auto committed = file->commit(); !committed) return failure(committed.error());
      result["to"] = *to;
    }
  } else if (search->pages_tried < kLeastPages) {
    notes.emplace_back(
        search->pages_tried == 0
            ? std::string("no page is written, or none was read: read blocks that hold data, or give a dump with at least 8 written pages")
            : fmt::format("{} too few to find a code by: read more blocks, or give a dump with at least {} written pages",
                          search->pages_tried == 1 ? "one written page is" : fmt::format("{} written pages are", search->pages_tried),
                          kLeastPages));
  } else if (search->hypotheses == 0) {
    notes.emplace_back(
        fmt::format("the {} written pages that were looked at are too much alike to prove any code by: {}. That says nothing about which "
                    "code they have. Read other blocks, or give a dump with more varied pages",
                    search->pages_tried,
                    search->different_pages < 2 ? "all hold the same bytes, or nearly" : "no byte that could belong to a code changes"));
  } else {
    notes.emplace_back(
        "no algebraic code found: none of the layouts that were tried fits. LDPC codes look like this, and so do codes behind a whitening "
        "that "
        "covers the code bytes, too");
    if (std::string doubt = passes::page_size_doubt(source->geometry().page_bytes); !doubt.empty())
      notes.emplace_back(std::move(doubt));
  }
  result["notes"] = std::move(notes);
  return result;
}

}  // namespace steadycell::service
