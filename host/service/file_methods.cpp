#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <optional>

#include "base/text.h"
#include "chip/identity.h"
#include "files/atomic.h"
#include "passes/capture.h"
#include "passes/export.h"
#include "passes/import.h"
#include "service/methods.h"
#include "service/results.h"
#include "service/settle_hooks.h"
#include "settle/image_files.h"
#include "settle/settle.h"

namespace steadycell::service {
namespace {

constexpr std::uint64_t kMaxParameterPage = 1 << 20;

json::Object blocks_json(UnitPlace place, std::uint32_t first, std::uint64_t count) {
  return {{"target", place.target}, {"lun", place.lun}, {"first_block", first}, {"count", count}};
}

json::Object image_json(const std::string& image, const image::Manifest& manifest, const Digest& sha256,
                        const std::map<image::Cause, std::uint64_t>& causes) {
  json::Object result{{"image", image}, {"pages", manifest.summary.total()}};
  result["verdicts"] = to_json(manifest.summary);
  result["unstable_bits"] = manifest.summary.unstable_bits;
  result["corrected_bits"] = manifest.summary.corrected_bits;
  result["raw_error_rate"] = manifest.raw_bit_error_rate ? json::Value(*manifest.raw_bit_error_rate) : json::Value(nullptr);
  result["sha256"] = to_text(sha256);
  json::Object by_cause;
  for (const auto& [cause, pages] : causes) by_cause[image::name_of(cause)] = pages;
  result["causes"] = std::move(by_cause);
  if (!manifest.identity.empty()) {
    result["maker"] = manifest.identity[0].maker;
    result["id_bytes"] = hex_spaced(manifest.identity[0].id_bytes);
  }
  result["page_bytes"] = manifest.geometry.page_bytes;
  result["spare_bytes"] = manifest.geometry.spare_bytes;
  result["pages_per_block"] = manifest.geometry.pages_per_block;
  result["chip_blocks"] =
      std::uint64_t{manifest.geometry.blocks} * manifest.geometry.luns * std::max<std::size_t>(manifest.identity.size(), 1);
  json::Array coverage;
  for (const image::LunCoverage& lun : manifest.coverage)
    for (const image::BlockRange& range : lun.ranges)
      coverage.push_back(blocks_json(lun.place, range.first, range.count));
  result["coverage"] = std::move(coverage);
  result["capture"] = manifest.capture_uuid;
  result["notes"] = to_json(manifest.notes);
  return result;
}

Result<void> to_stdout(ByteSpan bytes) {
  while (!bytes.empty()) {
    const ssize_t put = ::write(STDOUT_FILENO, bytes.data(), bytes.size());
    if (put < 0 && errno == EINTR) continue;
    if (put < 0) return failure(ErrorCode::storage_failed, "writing to standard output: {}", std::strerror(errno));
    bytes = bytes.subspan(static_cast<std::size_t>(put));
  }
  return {};
}

}  // namespace

Result<json::Object> chip_decode(json::Reader& params, const JobHooks&) {
  const auto id_text = params.text_or("id", ""), page_path = params.text_or("parameter_page", "");
  if (!id_text) return failure(id_text.error());
  if (!page_path) return failure(page_path.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  if (id_text->empty() && page_path->empty())
    return failure(Error(ErrorCode::wrong_usage, "nothing to decode").advising("give --id, --parameter-page or both"));
  const auto id = parse_hex(*id_text);
  if (!id)
    return failure(Error(ErrorCode::wrong_usage, fmt::format("\"{}\" is not ID bytes", printable(*id_text)))
                       .advising("give hex pairs such as \"EC DC 10 95 54\""));
  Bytes page;
  if (!page_path->empty()) {
    auto read = files::read_whole(files::posix(), *page_path, kMaxParameterPage);
    if (!read) return failure(read.error());
    page = std::move(*read);
  }
  const auto unfit = [&](Error why) {
    return failure(std::move(why)
                       .at(printable(*page_path))
                       .advising("give the file of a READ PARAMETER PAGE (ECh, address 00h or 40h) with all its "
                                 "copies as the chip gave them, "
                                 "or the ID bytes alone with --id"));
  };
  if (!page_path->empty() && page.size() < chip::kShortestParameterPage)
    return unfit(Error(ErrorCode::bad_parameter_page,
                       page.empty() ? std::string("the file is empty")
                                    : fmt::format("the file has {} bytes, one copy of a parameter page has {}",
                                                  page.size(), chip::kShortestParameterPage)));
  const auto chip = id->empty() ? chip::decode_parameter_page(page) : chip::identify(*id, page);
  if (!chip && chip.error().code() == ErrorCode::bad_parameter_page) return unfit(chip.error());
  if (!chip) return failure(chip.error());
  json::Object result = to_json(*chip);
  result["id_bytes"] = id->empty() ? json::Value(nullptr) : json::Value(hex_spaced(*id));
  return result;
}

Result<json::Object> capture_import(json::Reader& params, const JobHooks& hooks) {
  const auto passes = params.array("passes");
  const auto page_bytes = params.number("page_bytes", 512, 65536), spare_bytes = params.number("spare_bytes", 0, 32768);
  const auto pages_per_block = params.number_or("pages_per_block", 1, 8192, 64);
  auto into = params.text("into");
  if (!passes) return failure(passes.error());
  for (const auto* number : {&page_bytes, &spare_bytes, &pages_per_block})
    if (!*number) return failure(number->error());
  if (!into) return failure(into.error());
  if (const auto done = params.finish(); !done) return failure(done.error());

  passes::ImportRequest request;
  request.folder = *into;
  request.tool = kTool;
  for (const json::Value& pass : **passes) {
    if (!pass.is_string()) return failure(ErrorCode::wrong_usage, "\"passes\" should list file names");
    request.files.emplace_back(pass.get_string());
  }
  request.page_bytes = static_cast<std::uint32_t>(*page_bytes);
  request.spare_bytes = static_cast<std::uint32_t>(*spare_bytes);
  request.pages_per_block = static_cast<std::uint32_t>(*pages_per_block);
  const auto imported = passes::import_passes(files::posix(), request, passes_hooks(hooks, "importing", "bytes"));
  if (!imported) return failure(imported.error());
  json::Array notes;
  if (imported->pages_missing_at_end > 0)
    notes.emplace_back(
        fmt::format("the last block has {} beyond the files' end: kept as not read", counted(imported->pages_missing_at_end, "page")));
  if (!imported->without_bytes.empty()) notes.emplace_back(note_on(imported->without_bytes, *into));
  if (std::string doubt = passes::page_size_doubt(request.page_bytes); !doubt.empty())
    notes.emplace_back(std::move(doubt));
  for (const passes::EqualPasses& equal : imported->equal)
    notes.emplace_back(
        fmt::format("pass {} equals pass {} byte for byte: if one file is a copy of the other, it is no second "
                    "reading, and its pages are called steady for nothing",
                    equal.pass, equal.earlier));
  json::Object result{{"capture", *into},
                      {"uuid", imported->capture_uuid},
                      {"passes", imported->passes},
                      {"passes_held", imported->passes_held},
                      {"blocks", imported->blocks},
                      {"bytes", imported->bytes},
                      {"units_added", imported->units_added},
                      {"units_without_bytes", units_of(imported->without_bytes)}};
  result["pages"] = std::uint64_t{imported->blocks} * request.pages_per_block - imported->pages_missing_at_end;
  result["notes"] = std::move(notes);
  return result;
}

namespace {

json::Array runs_json(const std::vector<passes::ExportedRun>& runs) {
  json::Array array;
  for (const passes::ExportedRun& run : runs) array.push_back(blocks_json(run.place, run.first.index, run.count));
  return array;
}

// Why the bytes are not all that such a pass should have.
std::vector<std::string> export_notes(const passes::ExportedPass& exported, std::uint32_t pass) {
  constexpr std::size_t kRunsNamed = 6;
  std::vector<std::string> notes;
  // Most chips are one LUN behind one CE#: then its name says nothing.
  const auto is_first = [](const passes::ExportedRun& run) { return run.place == UnitPlace{}; };
  const bool only_first = std::ranges::all_of(exported.coverage, is_first);
  std::string where;
  std::uint64_t blocks = 0;
  for (std::size_t i = 0; i < exported.missing.size(); ++i) {
    const passes::ExportedRun& run = exported.missing[i];
    blocks += run.count;
    if (i < kRunsNamed)
      where += fmt::format("{}{}{}{}", where.empty() ? "" : ", ", run.first.index,
                           run.count == 1 ? "" : fmt::format("-{}", run.first.index + run.count - 1),
                           only_first ? "" : fmt::format(" of target {}, LUN {}", run.place.target, run.place.lun));
  }
  if (blocks > 0)
    notes.push_back(fmt::format(
        "the capture has no record of {} of pass {} in between ({}{}): the bytes of the next one follow at once, and what is behind lies "
        "nearer to the beginning than on the chip",
        counted(blocks, "block"), pass, where, exported.missing.size() > kRunsNamed ? ", ..." : ""));
  if (!exported.journal_whole)
    notes.emplace_back(
        "the capture's journal is damaged, and blocks whose records it lost are left out: steadycell capture verify tells which");
  if (!exported.sealed)
    notes.push_back(
        fmt::format("pass {} was not read to its end, or the record of it is lost: blocks behind the last may be missing", pass));
  return notes;
}

}  // namespace

Result<json::Object> capture_export(json::Reader& params, const JobHooks& hooks) {
  const auto capture = params.text("capture"), to = params.text("to");
  const auto pass = params.number("pass", 1, passes::UnitIndex::kMaxPass);
  if (!capture) return failure(capture.error());
  if (!to) return failure(to.error());
  if (!pass) return failure(pass.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  const passes::Hooks export_hooks = passes_hooks(hooks, "exporting", "blocks");
  const auto number = static_cast<std::uint32_t>(*pass);
  const auto exported = *to == "-" ? passes::export_pass(files::posix(), *capture, number, to_stdout, export_hooks)
                                   : passes::export_pass_to(files::posix(), *capture, number, *to, export_hooks);
  if (!exported) return failure(exported.error());
  const std::vector<std::string> notes = export_notes(*exported, number);
  // Bytes that went to standard output leave no other place for a word.
  if (*to == "-" && hooks.note)
    for (const std::string& note : notes) hooks.note(note);
  return json::Object{{"capture", *capture}, {"pass", number}, {"to", *to}, {"pages", exported->pages}, {"bytes", exported->bytes},
                      {"sha256", to_text(exported->sha256)}, {"not_read", exported->pages_not_read},
                      {"coverage", runs_json(exported->coverage)}, {"missing", runs_json(exported->missing)},
                      {"partial", exported->partial()}, {"notes", to_json(notes)}};
}

Result<json::Object> capture_settle(json::Reader& params, const JobHooks& hooks) {
  settle::Request request;
  auto capture = params.text("capture"), image = params.text("image"), ecc = params.text_or("ecc", "");
  for (const auto* text : {&capture, &image, &ecc})
    if (!*text) return failure(text->error());
  const auto timings = params.boolean_or("timings", false), allow_partial = params.boolean_or("allow_partial", false);
  if (!timings) return failure(timings.error());
  if (!allow_partial) return failure(allow_partial.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  request.capture = *capture;
  request.allow_partial = *allow_partial;
  request.image = *image;
  request.version = STEADYCELL_VERSION;
  request.build = STEADYCELL_BUILD;
  if (!ecc->empty()) {
    auto scheme = read_scheme(*ecc);
    if (!scheme) return failure(scheme.error());
    request.scheme = std::move(*scheme);
  }
  const auto summary = settle::settle(files::posix(), request, settle_hooks(hooks));
  if (!summary) return failure(summary.error());
  json::Object result = image_json(*image, summary->manifest, summary->sha256, summary->causes);
  result["passes"] = summary->passes;
  result["partial"] = summary->partial;
  if (*timings) result["timings"] = timings_json(summary->times);
  return result;
}

Result<json::Object> image_show(json::Reader& params, const JobHooks&) {
  const auto image = params.text("image");
  if (!image) return failure(image.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  const auto shown = settle::show_image(files::posix(), *image);
  if (!shown) return failure(shown.error());
  json::Object result = image_json(*image, shown->manifest, shown->sha256, shown->causes);
  json::Array unsafe;
  for (const settle::PageRun& run : shown->unsafe)
    unsafe.push_back(json::Object{{"target", run.place.target},
                                  {"lun", run.place.lun},
                                  {"first_page", run.first.index},
                                  {"count", run.count},
                                  {"verdict", image::name_of(run.verdict)}});
  result["unsafe_pages"] = std::move(unsafe);
  return result;
}

Result<json::Object> image_verify(json::Reader& params, const JobHooks& hooks) {
  const auto image = params.text("image");
  if (!image) return failure(image.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  const auto verified = settle::verify_image(files::posix(), *image, settle_hooks(hooks));
  if (!verified) return failure(verified.error());
  if (const auto good = verified->result(); !good) return failure(good.error());
  return json::Object{{"image", *image}, {"files", verified->files}, {"bytes", verified->bytes}};
}

Result<json::Object> image_export(json::Reader& params, const JobHooks& hooks) {
  const auto image = params.text("image");
  const auto what = params.text("what"), to = params.text("to"), unwhiten = params.text_or("unwhiten", "");
  const auto pages = number_range(params, "pages");
  if (!image) return failure(image.error());
  if (!what) return failure(what.error());
  if (!to) return failure(to.error());
  if (!unwhiten) return failure(unwhiten.error());
  if (!pages) return failure(pages.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  settle::ExportRequest request;
  const auto view = image::parse_view(*what);
  if (!view) return failure(ErrorCode::wrong_usage, "\"{}\" is no view of an image: raw, data or spare", printable(*what));
  request.view = *view;
  if (*pages) request.pages = settle::Pages{(*pages)->first, (*pages)->last};
  if (!unwhiten->empty()) {
    auto key = read_key(*unwhiten);
    if (!key) return failure(key.error());
    request.unwhiten = std::move(*key);
  }

  const auto exported = *to == "-" ? settle::export_image(files::posix(), *image, request, to_stdout, settle_hooks(hooks))
                                   : settle::export_image_to(files::posix(), *image, request, *to, settle_hooks(hooks));
  if (!exported) return failure(exported.error());
  json::Object result{{"image", *image}, {"what", *what}, {"to", *to}, {"pages", exported->pages}, {"bytes", exported->bytes},
                      {"sha256", to_text(exported->sha256)}, {"doubtful", exported->doubtful}, {"unread", exported->unread}};
  result["unwhitened"] = nullptr;
  result["unwhitening"] = nullptr;
  if (request.unwhiten) {
    std::uint64_t off = 0;
    json::Object by_outcome;
    for (std::size_t i = 0; i < assess::kUnwhitened; ++i) {
      const auto outcome = static_cast<assess::Unwhitened>(i);
      by_outcome[assess::name_of(outcome)] = exported->unwhitened[i];
      if (assess::taken_off(outcome)) off += exported->unwhitened[i];
    }
    json::Array left;
    for (const settle::LeftWhitened& run : exported->left)
      left.push_back(json::Object{{"target", run.place.target},
                                  {"lun", run.place.lun},
                                  {"first_page", run.first_page},
                                  {"count", run.count},
                                  {"why", assess::name_of(run.why)}});
    by_outcome["left"] = std::move(left);
    by_outcome["left_out"] = exported->left_out;
    result["unwhitened"] = off;
    result["unwhitening"] = std::move(by_outcome);
  }
  return result;
}

}  // namespace steadycell::service
