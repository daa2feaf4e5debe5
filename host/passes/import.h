#pragma once
#include <cstdint>
#include <string>
#include <vector>

#include "base/result.h"
#include "files/file_system.h"
#include "passes/hooks.h"
#include "passes/without_bytes.h"

namespace steadycell::passes {

// Passes that were read elsewhere: file k becomes pass k.
struct ImportRequest {
  std::vector<std::string> files;  // page + spare, page after page, blocks in order; never changed
  std::uint32_t page_bytes = 0, spare_bytes = 0, pages_per_block = 64;
  std::string folder;              // the capture to make, or one begun with the same request
  std::string tool;
};

// Two passes with the same bytes in all blocks, damaged cells included: a copy of one file, or a chip without a
// single wavering bit.
struct EqualPasses {
  std::uint32_t pass = 0, earlier = 0;
  friend bool operator==(const EqualPasses&, const EqualPasses&) = default;
};

struct ImportSummary {
  std::string capture_uuid;
  std::uint32_t passes = 0, blocks = 0;    // passes: files given
  std::uint32_t passes_held = 0;           // whole ones that the capture has now
  std::vector<EqualPasses> equal;          // of those; each pass once, with the first one that it equals
  std::uint32_t pages_missing_at_end = 0;  // pages of the last block beyond the files' end: kept as not_read, never invented
  std::uint64_t bytes = 0;                 // of all files
  std::uint64_t units_added = 0;           // the others were there already, with the same hashes
  std::vector<WithoutBytes> without_bytes;  // of those that were there
};

// Makes a capture with origin "import"; with one there already, goes on: units it holds must have the bytes of the
// files (mismatched_capture otherwise), and further files become further passes. All sizes are checked before
// anything is made, and all that the capture holds before anything is added: one that is refused, or lacks
// nothing, is left as it is, byte for byte. Errors: wrong_usage for a geometry no chip has or a file given twice;
// bad_input_file, with size and nearest fit, for files that are empty, no whole number of pages or of different
// lengths; not_found; interrupted; storage errors. Progress counts bytes.
Result<ImportSummary> import_passes(files::FileSystem& system, const ImportRequest& request, const Hooks& hooks = {});

}  // namespace steadycell::passes
