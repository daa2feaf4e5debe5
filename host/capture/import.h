#pragma once
#include <atomic>
#include <string>
#include <vector>

#include "api/progress.h"
#include "base/result.h"
#include "files/file_system.h"

// Passes that were read elsewhere.
namespace steadycell::capture {

struct ImportRequest {
  std::vector<std::string> files;      // one pass each: page + spare, page after page, blocks in order
  std::uint32_t page_bytes = 0, spare_bytes = 0, pages_per_block = 64;
  std::string folder;                  // capture to make; an existing one is refused
  std::string tool;
};

struct ImportSummary {
  std::string capture_uuid;
  std::uint32_t passes = 0, blocks = 0;
  std::uint64_t bytes = 0;
};

// Errors: wrong_usage for sizes that no chip has, bad_input_file for files that are empty, not whole blocks or of
// different lengths, not_found, already_exists, storage errors, interrupted. All files are looked at before the capture is
// made; they are never changed.
Result<ImportSummary> import_passes(files::FileSystem& system, const ImportRequest& request, const api::ProgressSink& progress, const std::atomic<bool>* stop);

}  // namespace steadycell::capture
