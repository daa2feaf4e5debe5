#pragma once
#include <functional>
#include <memory>
#include <string>

#include "base/result.h"
#include "files/file_system.h"
#include "image/coverage.h"
#include "image/manifest.h"
#include "image/verdict.h"

namespace steadycell::settle {

inline constexpr std::uint64_t kMaxManifestBytes = std::uint64_t{16} << 20;

// An opened bundle: its manifest, and its files piece by piece.
class ImageReader {
 public:
  static Result<ImageReader> open(files::FileSystem& system, const std::string& folder);

  const image::Manifest& manifest() const { return manifest_; }
  const image::CoverageMap& coverage() const { return coverage_; }
  const std::string& folder() const { return folder_; }

  Result<std::unique_ptr<files::File>> open_file(const std::string& name) const;
  // blocks.sha256, compared with its size and hash in the manifest.
  Result<Bytes> block_hashes() const;
  // All rows of verdicts.csv, checked to be one for each covered page in image order (file_damaged).
  Result<void> for_each_verdict(const std::function<Result<void>(const image::PageVerdict&)>& visit) const;
  // The hash of all pages files one after the other: from the manifest with one LUN, else read.
  Result<Digest> pages_sha256() const;

 private:
  ImageReader(files::FileSystem& system, std::string folder, image::Manifest manifest, image::CoverageMap coverage)
      : system_(&system), folder_(std::move(folder)), manifest_(std::move(manifest)), coverage_(std::move(coverage)) {}

  files::FileSystem* system_;
  std::string folder_;
  image::Manifest manifest_;
  image::CoverageMap coverage_;
};

// Reads the file from its start to its end in pieces.
Result<void> for_each_piece(files::File& file, const std::function<Result<void>(ByteSpan)>& visit);

}  // namespace steadycell::settle
