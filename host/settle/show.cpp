#include "settle/image_files.h"
#include "settle/image_reader.h"

namespace steadycell::settle {

Result<image::Manifest> read_manifest(files::FileSystem& system, const std::string& image) {
  const auto reader = ImageReader::open(system, image);
  if (!reader) return failure(reader.error());
  return reader->manifest();
}

Result<Shown> show_image(files::FileSystem& system, const std::string& image) {
  const auto reader = ImageReader::open(system, image);
  if (!reader) return failure(reader.error());
  Shown shown;
  shown.manifest = reader->manifest();
  image::VerdictCounts counts;
  std::optional<PageRun> run;  // being lengthened
  const auto end_run = [&] {
    if (!run) return;
    ++shown.unsafe_runs;
    if (shown.unsafe.size() < kMostRuns) shown.unsafe.push_back(*run);
    run.reset();
  };
  const auto scanned = reader->for_each_verdict([&](const image::PageVerdict& page) -> Result<void> {
    counts.add(page);
    if (page.cause != image::Cause::none) ++shown.causes[page.cause];
    const bool goes_on = run && run->verdict == page.verdict && run->place == page.place &&
                         run->first.index + run->count == page.page.index;
    if (goes_on) {
      ++run->count;
      return {};
    }
    end_run();
    if (page.verdict == image::Verdict::doubtful || page.verdict == image::Verdict::unread) {
      run = PageRun{.place = page.place, .first = page.page, .count = 1, .verdict = page.verdict};
    }
    return {};
  });
  if (!scanned) return failure(scanned.error());
  end_run();
  if (counts != shown.manifest.summary) {
    return failure(Error(ErrorCode::file_damaged, "the verdicts do not add up to the summary in the manifest")
                       .at(std::string(image::kVerdictsName)));
  }
  const auto sha256 = reader->pages_sha256();
  if (!sha256) return failure(sha256.error());
  shown.sha256 = *sha256;
  return shown;
}

}  // namespace steadycell::settle
