#include <algorithm>
#include <numeric>

#include "base/text.h"
#include "files/atomic.h"
#include "settle/block_reader.h"
#include "settle/image_files.h"
#include "settle/image_reader.h"
#include "settle/scheme.h"

namespace steadycell::settle {
namespace {

// Pages of the image, counted over all LUNs in image order.
struct Span {
  std::uint64_t first = 0, count = 0;
};

std::string text_of(UnitPlace place) { return fmt::format("target {}, LUN {}", place.target, place.lun); }

// "0-63 and 128-191": the covered pages of one LUN, the first few stretches of them.
std::string pages_of(const image::CoverageMap& coverage, UnitPlace place, std::uint32_t per_block) {
  constexpr std::size_t kMostStretches = 4;
  std::vector<std::string> stretches;
  for (const image::LunCoverage& lun : coverage.luns())
    if (lun.place == place)
      for (const image::BlockRange& range : lun.ranges)
        stretches.push_back(fmt::format("{}-{}", std::uint64_t{range.first} * per_block,
                                        (std::uint64_t{range.first} + range.count) * per_block - 1));
  const std::size_t shown = std::min(stretches.size(), kMostStretches);
  return fmt::format("{}{}", fmt::join(stretches.begin(), stretches.begin() + static_cast<std::ptrdiff_t>(shown), " and "),
                     shown < stretches.size() ? fmt::format(" and {} stretches more", stretches.size() - shown) : "");
}

Result<std::vector<Span>> selected(const ImageReader& reader, const ExportRequest& request) {
  const image::CoverageMap& coverage = reader.coverage();
  std::vector<Span> spans;
  if (request.pages && !request.place && coverage.luns().size() > 1) {
    return failure(ErrorCode::wrong_usage, "the image holds {} LUNs: a page range needs one of them named",
                   coverage.luns().size());
  }
  std::uint64_t before = 0;
  for (const image::LunCoverage& lun : coverage.luns()) {
    const std::uint64_t pages = lun.blocks() * reader.manifest().geometry.pages_per_block;
    if (!request.place || *request.place == lun.place) spans.push_back({before, pages});
    before += pages;
  }
  if (spans.empty()) {
    return failure(ErrorCode::wrong_usage, "the image holds nothing of {}", text_of(*request.place));
  }
  if (!request.pages) return spans;

  const UnitPlace place = request.place.value_or(coverage.luns().front().place);
  const auto [first, last] = *request.pages;
  if (first > last) return failure(ErrorCode::wrong_usage, "pages {}-{}: the first is behind the last", first, last);
  // Pages between covered ones may be missing, so go block by block through the range.
  spans.clear();
  const std::uint32_t per_block = reader.manifest().geometry.pages_per_block;
  for (std::uint64_t page = first; page <= last;) {
    const std::uint64_t end = std::min<std::uint64_t>(last + std::uint64_t{1}, (page / per_block + 1) * per_block);
    const auto at = coverage.page_in_image(place, {static_cast<std::uint32_t>(page)});
    if (!at) {
      return failure(Error(ErrorCode::wrong_usage, fmt::format("pages {}-{}: page {} is not in the image", first, last, page))
                         .advising(fmt::format("the image holds pages {} of {}", pages_of(coverage, place, per_block), text_of(place))));
    }
    if (!spans.empty() && spans.back().first + spans.back().count == *at) {
      spans.back().count += end - page;
    } else {
      spans.push_back({*at, end - page});
    }
    page = end;
  }
  return spans;
}

Result<void> count_unsafe(const ImageReader& reader, const std::vector<Span>& spans, Exported& exported) {
  std::uint64_t at = 0;
  return reader.for_each_verdict([&](const image::PageVerdict& page) -> Result<void> {
    const bool inside = std::any_of(spans.begin(), spans.end(), [&](const Span& span) {
      return at >= span.first && at - span.first < span.count;
    });
    ++at;
    if (inside && page.verdict == image::Verdict::doubtful) ++exported.doubtful;
    if (inside && page.verdict == image::Verdict::unread) ++exported.unread;
    return {};
  });
}

void note_unwhitened(const image::PlacedPage& at, assess::Unwhitened outcome, Exported& exported) {
  ++exported.unwhitened[static_cast<std::size_t>(outcome)];
  if (outcome == assess::Unwhitened::proven || outcome == assess::Unwhitened::assumed || outcome == assess::Unwhitened::erased) return;
  if (!exported.left.empty() && exported.left_out == 0) {
    LeftWhitened& last = exported.left.back();
    if (last.place == at.place && last.why == outcome && last.first_page + last.count == at.page.index) {
      ++last.count;
      return;
    }
  }
  if (exported.left.size() < kMostLeftWhitened)
    exported.left.push_back({.place = at.place, .first_page = at.page.index, .count = 1, .why = outcome});
  else
    ++exported.left_out;
}

// Asks the pages of the whole image, also where few are exported: a key that none of them shows to be right would
// spoil them.
Result<void> prove_key(const ImageReader& reader, BlockReader& blocks, assess::Unwhitener& unwhitener,
                       const Hooks& hooks) {
  const Geometry& geometry = reader.manifest().geometry;
  Progress progress{.stage = "proving the key", .total = reader.coverage().pages() / geometry.pages_per_block};
  for (; progress.done < progress.total && !unwhitener.settled(); ++progress.done) {
    if (auto on = hooks.go_on(progress.stage); !on) return on;
    const auto block = blocks.read(progress.done);
    // A damaged block proves nothing, and is reported when it is exported.
    if (!block && block.error().code() == ErrorCode::hash_mismatch) continue;
    if (!block) return failure(block.error());
    for (std::uint32_t page = 0; page < geometry.pages_per_block; ++page) {
      const image::PlacedPage at = *reader.coverage().page_at(progress.done * geometry.pages_per_block + page);
      unwhitener.learn(block->subspan(std::size_t{page} * geometry.raw_page_bytes(), geometry.raw_page_bytes()),
                       geometry.block_of(at.page).index, page);
    }
    progress.bytes += block->size();
    hooks.tell(progress);
  }
  const auto& learnt = unwhitener.learnt();
  const std::uint64_t written = std::accumulate(learnt.begin(), learnt.end(), std::uint64_t{0});
  if (unwhitener.fits() || written == 0) return {};
  const auto of = [&](assess::Unwhitened what) { return learnt[static_cast<std::size_t>(what)]; };
  const std::uint64_t unknown = of(assess::Unwhitened::unknown_sequence);
  return failure(
      Error(ErrorCode::bad_input_file,
            fmt::format("the whitening key is not proven right by any of the image's {}: {} random-looking with and without it, {} plainer "
                        "as they stand{}; nothing was written",
                        counted(written, "written page"), of(assess::Unwhitened::unproven) + of(assess::Unwhitened::not_caught),
                        of(assess::Unwhitened::plainer), unknown > 0 ? fmt::format(", {} without a sequence in it", unknown) : ""))
          .at(reader.folder())
          .advising("it may be the key of another chip: find this image's own with \"steadycell image assess IMAGE --to KEY\", and give "
                    "that; where it finds none, export without --unwhiten"));
}

}  // namespace

Result<Exported> export_image(files::FileSystem& system, const std::string& image, const ExportRequest& request,
                              const ByteSink& sink, const Hooks& hooks) {
  const auto reader = ImageReader::open(system, image);
  if (!reader) return failure(reader.error());
  const Geometry& geometry = reader->manifest().geometry;
  const auto spans = selected(*reader, request);
  if (!spans) return failure(spans.error());
  const auto scheme_data = scheme_data_ranges(reader->manifest());
  if (!scheme_data) return failure(scheme_data.error());
  const auto view = image::ViewRanges::make(request.view, geometry, *scheme_data);
  if (!view) return failure(view.error());
  std::optional<assess::Unwhitener> unwhitener;
  if (request.unwhiten) {
    if (const auto fits = assess::check_fits(*request.unwhiten, geometry); !fits) return failure(fits.error());
    unwhitener.emplace(*request.unwhiten);
  }
  auto blocks = BlockReader::make(*reader);
  if (!blocks) return failure(blocks.error());
  if (unwhitener)
    if (const auto proven = prove_key(*reader, *blocks, *unwhitener, hooks); !proven)
      return failure(proven.error());

  Exported exported;
  if (const auto counted = count_unsafe(*reader, *spans, exported); !counted) return failure(counted.error());
  Progress progress{.stage = "exporting"};
  for (const Span& span : *spans) progress.total += (span.count + geometry.pages_per_block - 1) / geometry.pages_per_block;

  Sha256 hash;
  Bytes out, contents(geometry.raw_page_bytes());  // `out` is a block's worth, so that the sink is called once a block
  for (const Span& span : *spans) {
    for (std::uint64_t page = span.first, end = span.first + span.count; page < end;) {
      if (const auto on = hooks.go_on(progress.stage); !on) return failure(on.error());
      const std::uint64_t index = page / geometry.pages_per_block;
      const auto block = blocks->read(index);
      if (!block) return failure(block.error());
      out.clear();
      for (; page < end && page / geometry.pages_per_block == index; ++page, ++exported.pages) {
        const std::size_t offset = page % geometry.pages_per_block * geometry.raw_page_bytes();
        ByteSpan raw_page = block->subspan(offset, geometry.raw_page_bytes());
        if (unwhitener) {
          std::copy(raw_page.begin(), raw_page.end(), contents.begin());
          const image::PlacedPage at = *reader->coverage().page_at(page);
          note_unwhitened(at, unwhitener->apply(contents, geometry.block_of(at.page).index, at.page.index % geometry.pages_per_block),
                          exported);
          raw_page = contents;
        }
        out.resize(out.size() + view->bytes_per_page());
        view->take(raw_page, MutableByteSpan(out).last(view->bytes_per_page()));
      }
      hash.update(out);
      if (const auto taken = sink(out); !taken) return failure(taken.error());
      exported.bytes += out.size();
      ++progress.done;
      progress.bytes += block->size();
      hooks.tell(progress);
    }
  }
  exported.sha256 = hash.finish();
  return exported;
}

Result<Exported> export_image_to(files::FileSystem& system, const std::string& image, const ExportRequest& request,
                                 const std::string& to, const Hooks& hooks) {
  auto file = files::AtomicFile::create(system, to);
  if (!file) return failure(file.error());
  auto exported =
      export_image(system, image, request, [&](ByteSpan bytes) { return file->append(bytes); }, hooks);
  if (!exported) return exported;
  if (const auto committed = file->commit(); !committed) return failure(committed.error());
  return exported;
}

}  // namespace steadycell::settle
