#pragma once
#include <cstdint>
#include <span>
#include <string>
#include <vector>

#include "base/address.h"
#include "base/json.h"
#include "base/result.h"
#include "files/file_system.h"

// Bytes at the end of a pass file that no record of the journal names. A killed process leaves some of one unit, a power cut those of
// the units whose records were not yet synced; more of them say that the journal lost its end. They are never cut off nor written
// over, so that a journal put back from a copy finds its bytes.
namespace steadycell::passes {

// Raw bytes of units that are written before they are synced, whichever pass they belong to.
inline constexpr std::uint64_t kSyncBytes = 16 << 20;

// Up to the end of the file.
struct UnnamedBytes {
  std::uint32_t pass = 0;
  std::uint64_t from = 0, bytes = 0;
  friend bool operator==(const UnnamedBytes&, const UnnamedBytes&) = default;
};

// By pass - 1; 0 where there is no such file, or something else bears its name.
Result<std::vector<std::uint64_t>> pass_file_sizes(files::FileSystem& system, const std::string& folder);

// What of files of these sizes lies behind `ends`, both by pass - 1.
std::vector<UnnamedBytes> unnamed_behind(std::span<const std::uint64_t> ends, std::span<const std::uint64_t> sizes);

// The journal of the capture that they were found in.
struct JournalBefore {
  std::uint32_t version = 0;     // of the capture
  std::uint64_t block_bytes = 0;
  bool closed = false;           // nothing follows on its last record but an `opened` one, which is synced before any unit is written
  bool whole = true;             // no hole that could have taken a `sealed` record
  std::span<const std::uint32_t> sealed_passes;
};

// Whether so much can only mean that the journal lost its end. A pass begins when the one before is sealed, and all of that is on the
// medium: so the bytes of one pass alone can be without their records, no more of them than are written before a sync, and of no pass
// that follows on one that was not sealed. Writers of version 1 let bytes of earlier sessions stand: there the amount alone tells.
bool tell_of_a_lost_end(std::span<const UnnamedBytes> unnamed, const JournalBefore& journal);

// In an `opened` record.
json::Array to_json(std::span<const UnnamedBytes> unnamed);
Result<std::vector<UnnamedBytes>> unnamed_from(const json::Value& value);

}  // namespace steadycell::passes
