#include <chrono>
#include <cmath>
#include <thread>

#include "ecc/scheme.h"
#include "files/atomic.h"
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
  std::string text = fmt::format("more than {} wrong in a codeword with a chance of at most {:.1e}: {} of {} pages meet the bound of {:.0e} on a false verdict",
                                 check.measured.t(), check.more_than_t, vouched, check.pages, settle::kMostFalseOdds);
  if (check.measured.failed() > 0) text += fmt::format("; {} codewords have more wrong than the code corrects", check.measured.failed());
  return text;
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
  result["corrected_bits"] = measured.corrected_bits();
  result["t"] = measured.t();
  result["histogram"] = histogram(measured);
  result["raw_error_rate"] = measured.codewords() > measured.failed() ? json::Value(measured.bit_error_rate()) : json::Value(nullptr);
  result["more_than_t_odds"] = check->more_than_t;
  result["verdicts"] = to_json(check->verdicts);
  json::Array notes;
  notes.emplace_back(rule_says(*check));
  if (!source->is_capture() && source->scheme() != nullptr) notes.emplace_back("these are the image's own bytes: its code has corrected them already; check the capture for the raw error rate");
  if (source->passes() > 1) notes.emplace_back(fmt::format("errors are those left after the vote of {} passes", source->passes()));
  result["notes"] = std::move(notes);
  return result;
}

Result<json::Object> ecc_find(json::Reader& params, const JobHooks& hooks) {
  const auto from = params.text("from"), to = params.text_or("to", "");
  if (!from) return failure(from.error());
  if (!to) return failure(to.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  auto source = settle::PageSource::open(files::posix(), *from);
  if (!source) return failure(source.error());
  const auto begin = std::chrono::steady_clock::now();
  const auto search = settle::find_code(*source, std::max(1u, std::thread::hardware_concurrency()), settle_hooks(hooks));
  if (!search) return failure(search.error());
  const double seconds = std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count();

  json::Object result{{"from", *from}, {"scheme", nullptr}, {"pages_explained", 0}, {"pages_tried", search->pages_tried}, {"odds", nullptr}};
  result["erased_pages"] = search->erased_pages;
  result["hypotheses"] = search->hypotheses;
  result["seconds"] = seconds;
  result["hypotheses_per_second"] = seconds > 0 ? static_cast<double>(search->hypotheses) / seconds : 0.0;
  result["to"] = nullptr;
  json::Array notes;
  if (search->found) {
    result["scheme"] = ecc::to_json(search->found->scheme);
    result["pages_explained"] = search->found->pages_explained;
    result["odds"] = std::pow(10.0, std::max(-300.0, search->found->log10_odds));
    notes.emplace_back(fmt::format("chance of such a fit without this code: at most 1e{:.0f}", search->found->log10_odds));
    if (!to->empty()) {
      auto file = files::AtomicFile::create(files::posix(), *to);
      if (!file) return failure(file.error());
      if (const auto put = file->append(as_bytes(ecc::pretty(search->found->scheme))); !put) return failure(put.error());
      if (const auto committed = file->commit(); !committed) return failure(committed.error());
      result["to"] = *to;
    }
  } else if (search->pages_tried < 8) {
    notes.emplace_back(fmt::format("{} written pages are too few to find a code by", search->pages_tried));
  } else if (search->hypotheses == 0) {
    notes.emplace_back("no algebraic code found: the written pages differ in too little to tell, as when all hold the same bytes. That says nothing about "
                       "which code they have");
  } else {
    notes.emplace_back("no algebraic code found: none of the layouts in docs/ecc.md fits. LDPC codes look like this, and so do codes behind a whitening that "
                       "covers the code bytes, too");
  }
  result["notes"] = std::move(notes);
  return result;
}

}  // namespace steadycell::service
