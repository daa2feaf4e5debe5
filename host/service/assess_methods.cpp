#include "files/atomic.h"
#include "service/methods.h"
#include "service/settle_hooks.h"
#include "settle/assessment.h"

namespace steadycell::service {
namespace {

using assess::Look;

json::Object pages_json(const assess::PageCounts& pages) {
  return {{"read", pages.read()},
          {"unread", pages.unread},
          {"erased", pages.of(Look::erased)},
          {"constant", pages.of(Look::constant)},
          {"plain", pages.of(Look::plain)},
          {"flat", pages.of(Look::flat)},
          {"other", pages.of(Look::other)}};
}

json::Array distances_json(const std::vector<assess::Distance>& distances) {
  json::Array array;
  for (const assess::Distance& distance : distances)
    array.push_back(json::Array{distance.apart, distance.pairs, distance.cancelled});
  return array;
}

json::Value figures_json(const settle::ComplexityFigures& figures) {
  if (figures.measured == 0) return nullptr;
  return json::Object{{"measured", figures.measured}, {"lowest", figures.lowest}, {"median", figures.median}};
}

json::Value register_json(const std::optional<assess::Register>& shift_register) {
  if (!shift_register) return nullptr;
  return json::Object{{"stages", shift_register->feedback.length()},
                      {"polynomial", fmt::format("0x{:x}", shift_register->feedback.polynomial)},
                      {"bit_order", assess::name_of(shift_register->order)},
                      {"restart_bytes", shift_register->restart_bytes}};
}

json::Object whitening_json(const assess::Whitening& whitening) {
  json::Object object{{"kind", "register"}, {"period_pages", nullptr}, {"period_blocks", nullptr},
                      {"step", nullptr},    {"sequences", nullptr},    {"known_sequences", nullptr}, {"uncertain_bytes", nullptr}};
  if (const auto* table = std::get_if<assess::SequenceTable>(&whitening.key.whitening)) {
    object["kind"] = "table";
    object["period_pages"] = table->period.pages;
    object["period_blocks"] = table->period.blocks;
    object["step"] = table->period.step;
    object["sequences"] = table->period.sequences();
    object["known_sequences"] = whitening.known_sequences;
    object["uncertain_bytes"] = whitening.uncertain_bytes;
  }
  object["repeats_bytes"] =
      whitening.repeats_bytes > 0 ? json::Value(whitening.repeats_bytes) : json::Value(nullptr);
  object["register"] = register_json(whitening.shift_register);
  json::Array bytes;
  for (const assess::Range& range : whitening.key.bytes) bytes.push_back(json::Array{range.offset, range.length});
  object["bytes"] = std::move(bytes);
  object["found_on"] = whitening.found_on;
  const assess::Gain& gain = whitening.verified;
  object["verified"] = json::Object{{"pages", gain.pages()},
                                    {"plainer", gain.plainer()},
                                    {"noisier", gain.noisier()},
                                    {"varied", gain.varied()},
                                    {"entropy_before", gain.entropy_before()},
                                    {"entropy_after", gain.entropy_after()}};
  return object;
}

Result<void> write_text(const std::string& path, const std::string& text) {
  auto file = files::AtomicFile::create(files::posix(), path);
  if (!file) return failure(file.error());
  if (const auto put = file->append(as_bytes(text)); !put) return failure(put.error());
  return file->commit();
}

}  // namespace

Result<json::Object> image_assess(json::Reader& params, const JobHooks& hooks) {
  const auto from = params.text("from"), to = params.text_or("to", "");
  if (!from) return failure(from.error());
  if (!to) return failure(to.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  if (const auto free = to->empty() ? Result<void>() : files::check_free(files::posix(), *to); !free) return failure(free.error());
  auto source = settle::PageSource::open(files::posix(), *from);
  if (!source) return failure(source.error());
  const auto assessed = settle::assess_content(*source, settle_hooks(hooks));
  if (!assessed) return failure(assessed.error());

  json::Object result{{"from", *from},
                      {"kind", source->is_capture() ? "capture" : "image"},
                      {"content", assess::name_of(assessed->content)},
                      {"because", assessed->because},
                      {"pages", pages_json(assessed->pages)}};
  const assess::ByteCounts& written = assessed->written;
  result["bytes"] = written.total();
  result["entropy"] = written.total() > 0 ? json::Value(written.entropy()) : json::Value(nullptr);
  result["chi_square"] = written.total() > 0 ? json::Value(written.chi_square()) : json::Value(nullptr);
  result["cancellation"] = json::Object{{"pages", distances_json(assessed->cancellation.pages)},
                                        {"blocks", distances_json(assessed->cancellation.blocks)}};
  result["linear_complexity"] = json::Object{{"of_bits", 1024},
                                             {"constant_pages", figures_json(assessed->of_constant)},
                                             {"pages", figures_json(assessed->of_pages)},
                                             {"xors", figures_json(assessed->of_xors)}};
  result["whitening"] =
      assessed->whitening ? json::Value(whitening_json(*assessed->whitening)) : json::Value(nullptr);
  result["to"] = nullptr;
  if (assessed->whitening && !to->empty()) {
    if (const auto written_out = write_text(*to, assess::to_text(assessed->whitening->key)); !written_out)
      return failure(written_out.error());
    result["to"] = *to;
  }
  json::Array notes;
  if (assessed->too_many_sequences > 0)
    notes.emplace_back(
        fmt::format("pages of {} sequences would make a whitening key of more than {} MiB: not looked for",
                    assessed->too_many_sequences, assess::kMostSequenceBytes >> 20));
  if (assessed->whitening) {
    notes.emplace_back(
        "the code of the pages was made over whitened bytes, as is usual: correct first, take the whitening off "
        "when exporting");
    const auto* table = std::get_if<assess::SequenceTable>(&assessed->whitening->key.whitening);
    if (table != nullptr && assessed->whitening->known_sequences < table->sequences.size())
      notes.emplace_back(fmt::format(
          "{} of {} sequences are not known for want of pages that tell them: pages under them stay as they are",
          table->sequences.size() - assessed->whitening->known_sequences, table->sequences.size()));
    if (table != nullptr && assessed->whitening->uncertain_bytes > 0)
      notes.emplace_back(fmt::format(
          "about {} of the {} bytes of the known sequences may be wrong, the same places on every page under one: they changed when a "
          "third more "
          "pages were asked. More pages of the chip make them sure",
          assessed->whitening->uncertain_bytes, std::uint64_t{assessed->whitening->known_sequences} * assessed->whitening->key.page_bytes));
    if (table == nullptr)
      notes.emplace_back(
          "the register is caught page by page, where contents are constant for a while: pages without such a "
          "place stay as they are");
  }
  result["notes"] = std::move(notes);
  return result;
}

}  // namespace steadycell::service
