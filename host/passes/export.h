#pragma once
#include <cstdint>
#include <functional>
#include <string>
#include <vector>

#include "base/address.h"
#include "base/result.h"
#include "base/sha256.h"
#include "files/file_system.h"
#include "passes/hooks.h"

namespace steadycell::passes {

// Neighbouring blocks that were exported, in the order of the bytes.
struct ExportedRun {
  UnitPlace place;
  BlockAddress first;
  std::uint32_t count = 0;
};

struct ExportedPass {
  std::vector<ExportedRun> coverage;  // what the bytes are: targets, LUNs and blocks ascending; blocks without this pass are left out
  std::vector<ExportedRun> missing;   // those that are left out between blocks of the same LUN that are not
  bool sealed = true;                 // the pass was read over all of a range that was asked for
  bool journal_whole = true;          // else records of further blocks may be lost
  // Not all that such a pass should have.
  bool partial() const { return !missing.empty() || !sealed || !journal_whole; }
  std::uint64_t blocks = 0, pages = 0, bytes = 0;
  std::uint64_t pages_not_read = 0;  // fill or half a page: the journal says which
  Digest sha256{};
};

// One pass as the chip gave it, page + spare, page after page; each unit compared with its recorded hash before its first byte goes
// out. Memory: one block, and a run a gap. Errors: not_found for a pass the capture does not hold, file_damaged, interrupted, those of
// CaptureReader::open and of the sink. Progress counts blocks.
Result<ExportedPass> export_pass(files::FileSystem& system, const std::string& folder, std::uint32_t pass,
                                 const std::function<Result<void>(ByteSpan)>& sink, const Hooks& hooks = {});
// The same into a new file, which gets its name only when whole. Errors: already_exists, too.
Result<ExportedPass> export_pass_to(files::FileSystem& system, const std::string& folder, std::uint32_t pass, const std::string& to,
                                    const Hooks& hooks = {});

}  // namespace steadycell::passes
