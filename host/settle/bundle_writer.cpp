#include "settle/bundle_writer.h"

#include <cassert>

#include "base/json.h"

namespace steadycell::settle {

std::string sums_text(const std::vector<image::FileEntry>& files, const Digest& manifest) {
  std::string text = fmt::format("{}  {}\n", to_text(manifest), image::kManifestName);
  for (const image::FileEntry& file : files) text += fmt::format("{}  {}\n", to_text(file.sha256), file.name);
  return text;
}

BundleWriter::BundleWriter(files::AtomicFolder folder, const Geometry& geometry, const image::CoverageMap& coverage,
                           std::uint32_t margin_planes)
    : folder_(std::move(folder)),
      coverage_(&coverage),
      pages_per_block_(geometry.pages_per_block),
      encoder_(std::make_unique<PageEncoder>(geometry, margin_planes, coverage.luns().size() > 1)),
      batch_(geometry.raw_page_bytes(), margin_planes) {}

Result<BundleWriter> BundleWriter::create(files::FileSystem& system, const std::string& folder,
                                          const Geometry& geometry, const image::CoverageMap& coverage, std::uint32_t margin_planes) {
  auto made = files::AtomicFolder::create(system, folder);
  if (!made) return failure(made.error());
  BundleWriter writer(std::move(*made), geometry, coverage, margin_planes);
  for (const auto& [file, name] : {std::pair{&writer.corrections_, image::kCorrectionsName},
                                   {&writer.margins_, image::kMarginsName},
                                   {&writer.verdicts_, image::kVerdictsName},
                                   {&writer.blocks_, image::kBlockHashesName}}) {
    auto opened = writer.make(name);
    if (!opened) return failure(opened.error());
    file->emplace(std::move(*opened));
  }
  if (const auto done = writer.write_encoded(); !done) return failure(done.error());
  const std::string header = std::string(image::kVerdictHeader) + "\n";
  if (const auto done = writer.verdicts_->append(as_bytes(header)); !done) return failure(done.error());
  return writer;
}

Result<AppendedFile> BundleWriter::make(std::string_view name) {
  auto file = folder_.create_file(std::string(name));
  if (!file) return failure(file.error());
  return AppendedFile(std::string(name), std::move(*file));
}

Result<void> BundleWriter::next_pages_file() {
  if (pages_) {
    if (auto written = write_batch(); !written) return written;
    if (auto written = write_encoded(); !written) return written;
    const auto entry = pages_->finish(encoder_->end_file());
    if (!entry) return failure(entry.error());
    pages_files_.push_back(*entry);
    pages_.reset();
  }
  const std::size_t next = pages_files_.size();
  if (next == coverage_->luns().size()) return {};
  const image::LunCoverage& lun = coverage_->luns()[next];
  auto file = make(lun.file);
  if (!file) return failure(file.error());
  pages_.emplace(std::move(*file));
  pages_left_ = lun.blocks() * pages_per_block_;
  return {};
}

Result<void> BundleWriter::write_batch() {
  if (auto written = write_encoded(); !written) return written;
  return pages_->append(encoder_->start(batch_).best());
}

// What the pages begun last became.
Result<void> BundleWriter::write_encoded() {
  encoder_->finish(encoded_);
  if (auto done = corrections_->append(encoded_.corrections); !done) return done;
  if (auto done = margins_->append(encoded_.margins); !done) return done;
  return blocks_->append(encoded_.blocks);
}

Result<PageBatch::Room> BundleWriter::room() {
  if (pages_left_ == 0)
    if (const auto opened = next_pages_file(); !opened) return failure(opened.error());
  return batch_.room();
}

Result<void> BundleWriter::add_page(ByteSpan voted, std::uint32_t votes, std::uint32_t planes) {
  assert(pages_ && pages_left_ > 0 && "more pages than the coverage has");
  --pages_left_;
  batch_.add(voted, votes, planes);
  return batch_.full() ? write_batch() : Result<void>();
}

Result<void> BundleWriter::add_verdict(const image::PageVerdict& verdict) {
  counts_.add(verdict);
  line_.clear();
  image::append_line(verdict, line_);
  return verdicts_->append(as_bytes(line_));
}

Result<BundleWriter::Written> BundleWriter::finish(image::Manifest manifest) {
  assert(pages_left_ == 0 && counts_.total() == coverage_->pages());
  if (const auto closed = next_pages_file(); !closed) return failure(closed.error());
  manifest.coverage = coverage_->luns();
  manifest.summary = counts_;
  manifest.files = pages_files_;
  for (HashedFile* file : {&*corrections_, &*verdicts_, &*margins_, &*blocks_}) {
    const auto entry = file->finish();
    if (!entry) return failure(entry.error());
    manifest.files.push_back(*entry);
  }
  const std::string text = json::pretty(image::to_json(manifest));
  auto manifest_file = make(image::kManifestName);
  if (!manifest_file) return failure(manifest_file.error());
  HashedFile hashed_manifest(std::move(*manifest_file));
  if (const auto done = hashed_manifest.append(as_bytes(text)); !done) return failure(done.error());
  const auto entry = hashed_manifest.finish();
  if (!entry) return failure(entry.error());

  auto sums = make(kSumsName);
  if (!sums) return failure(sums.error());
  HashedFile hashed_sums(std::move(*sums));
  if (const auto done = hashed_sums.append(as_bytes(sums_text(manifest.files, entry->sha256))); !done) {
    return failure(done.error());
  }
  if (const auto done = hashed_sums.finish(); !done) return failure(done.error());
  if (const auto committed = folder_.commit(); !committed) return failure(committed.error());
  const Digest pages_sha256 = encoder_->all_files().value_or(pages_files_[0].sha256);
  return Written{.manifest = std::move(manifest), .pages_sha256 = pages_sha256};
}

}  // namespace steadycell::settle
