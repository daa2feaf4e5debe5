#pragma once
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "base/result.h"
#include "files/atomic.h"
#include "image/coverage.h"
#include "image/manifest.h"
#include "image/verdict.h"
#include "settle/hashed_file.h"
#include "settle/page_encoder.h"

namespace steadycell::settle {

// The hashes of all files of the bundle, the manifest included, as `sha256sum --check` reads them: the manifest cannot
// hold its own hash, and nobody should need this program to check a hand-over.
inline constexpr std::string_view kSumsName = "SHA256SUMS";
std::string sums_text(const std::vector<image::FileEntry>& files, const Digest& manifest);

// Writes an image bundle page by page, in image order. Nothing stands under the bundle's name before finish() returns;
// dropped earlier, it leaves nothing behind.
class BundleWriter {
 public:
  // `coverage` must outlive the writer; `margin_planes`: most of any page. already_exists when `folder` is there.
  static Result<BundleWriter> create(files::FileSystem& system, const std::string& folder, const Geometry& geometry,
                                     const image::CoverageMap& coverage, std::uint32_t margin_planes);

  // Where the next page is to be put before add_page().
  Result<PageBatch::Room> room();
  // As PageBatch::add.
  Result<void> add_page(ByteSpan voted, std::uint32_t votes, std::uint32_t planes);
  // Verdict of the next page; verdicts may lag behind pages.
  Result<void> add_verdict(const image::PageVerdict& verdict);

  const image::VerdictCounts& counts() const { return counts_; }

  struct Written {
    image::Manifest manifest;
    Digest pages_sha256{};  // of all pages files one after the other
  };
  // Fills in coverage, summary and files, and brings the bundle into being. Requires all pages and verdicts.
  Result<Written> finish(image::Manifest manifest);

 private:
  BundleWriter(files::AtomicFolder folder, const Geometry& geometry, const image::CoverageMap& coverage, std::uint32_t margin_planes);
  Result<AppendedFile> make(std::string_view name);
  Result<void> next_pages_file();
  Result<void> write_batch();
  Result<void> write_encoded();

  files::AtomicFolder folder_;
  const image::CoverageMap* coverage_;
  std::uint32_t pages_per_block_;
  std::optional<AppendedFile> pages_;
  std::optional<HashedFile> corrections_, margins_, verdicts_, blocks_;
  std::vector<image::FileEntry> pages_files_;
  std::uint64_t pages_left_ = 0;  // in the pages file being written
  std::unique_ptr<PageEncoder> encoder_;
  PageBatch batch_;               // pages that are not yet written
  PageEncoder::Encoded encoded_;  // what was made of pages and is being written
  image::VerdictCounts counts_;
  std::string line_;
};

}  // namespace steadycell::settle
