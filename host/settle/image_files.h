#pragma once
#include <array>
#include <cstdint>
#include <functional>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "assess/whitening_key.h"
#include "base/result.h"
#include "base/sha256.h"
#include "files/file_system.h"
#include "image/block_hashes.h"
#include "image/manifest.h"
#include "image/views.h"
#include "settle/hooks.h"

// What is done with a finished image bundle: show, verify, export. All take constant memory.
namespace steadycell::settle {

// Reads and checks manifest.json of the bundle.
Result<image::Manifest> read_manifest(files::FileSystem& system, const std::string& image);

// --- show

// Neighbouring pages with the same verdict.
struct PageRun {
  UnitPlace place;
  PageAddress first;
  std::uint32_t count = 0;
  image::Verdict verdict = image::Verdict::unread;
  friend bool operator==(const PageRun&, const PageRun&) = default;
};

struct Shown {
  image::Manifest manifest;
  Digest sha256{};  // as settle::Summary
  std::map<image::Cause, std::uint64_t> causes;
  std::vector<PageRun> unsafe;     // doubtful and unread pages, the first kMostRuns runs
  std::uint64_t unsafe_runs = 0;   // how many there are in all
};
inline constexpr std::size_t kMostRuns = 1000;

// Manifest and verdicts; no pages are read. Verdicts that do not add up to the manifest's are file_damaged.
Result<Shown> show_image(files::FileSystem& system, const std::string& image);

// --- verify

struct FileProblem {
  std::string file;
  std::string what;  // "missing", "size 12, recorded 13", "does not match its hash", ...
  friend bool operator==(const FileProblem&, const FileProblem&) = default;
};

struct Verification {
  std::uint64_t files = 0;  // compared, the manifest included
  std::uint64_t bytes = 0;
  std::vector<FileProblem> problems;               // empty: every bit is as written
  std::vector<image::DamagedPages> damaged_pages;  // of pages files, as far as blocks.sha256 is whole
  // Nothing when all is well, else hash_mismatch with all files and page ranges named.
  Result<void> result() const;
};

// Hashes every file again and compares with the manifest; the manifest itself with SHA256SUMS, which stands beside it.
// Damage is a finding, not a failure; a manifest that cannot be read is a failure.
Result<Verification> verify_image(files::FileSystem& system, const std::string& image, const Hooks& hooks = {});

// --- export

struct Pages {
  std::uint32_t first = 0, last = 0;  // both included
};

struct ExportRequest {
  image::View view = image::View::raw;
  std::optional<Pages> pages = {};      // default: all that the image covers
  std::optional<UnitPlace> place = {};  // one LUN; needed with `pages` when the image has several
  std::optional<assess::WhiteningKey> unwhiten = {};  // to take off each page before its view is taken
};

// Pages in a row, of one LUN, from which a whitening was not taken, or not wholly.
struct LeftWhitened {
  UnitPlace place;
  std::uint32_t first_page = 0, count = 0;
  assess::Unwhitened why = assess::Unwhitened::not_caught;
};
inline constexpr std::size_t kMostLeftWhitened = 1000;

struct Exported {
  std::uint64_t pages = 0, bytes = 0;
  Digest sha256{};                          // of what was handed over
  std::uint64_t doubtful = 0, unread = 0;   // pages among them; unread ones are fill, not data
  // With a whitening key: pages by what became of them; those that were neither erased nor taken off wholly, the first
  // kMostLeftWhitened runs of them, and how many pages are beyond.
  std::array<std::uint64_t, assess::kUnwhitened> unwhitened{};
  std::vector<LeftWhitened> left;
  std::uint64_t left_out = 0;
};

using ByteSink = std::function<Result<void>(ByteSpan)>;

// Hands over the pages in image order. Each block is compared with its recorded hash before its first byte goes out
// (hash_mismatch, naming the pages). Pages that the image does not cover are wrong_usage, a key for other pages bad_input_file.
Result<Exported> export_image(files::FileSystem& system, const std::string& image, const ExportRequest& request,
                              const ByteSink& sink, const Hooks& hooks = {});
// The same into a new file, which appears only when it is complete.
Result<Exported> export_image_to(files::FileSystem& system, const std::string& image, const ExportRequest& request,
                                 const std::string& to, const Hooks& hooks = {});

}  // namespace steadycell::settle
