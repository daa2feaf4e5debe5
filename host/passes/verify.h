#pragma once
#include <cstdint>
#include <string>
#include <vector>

#include "passes/capture.h"
#include "passes/hooks.h"

namespace steadycell::passes {

// What is wrong with a unit.
enum class Fault : std::uint8_t {
  damaged,     // its bytes are not those that were recorded, or cannot be got
  missing,     // its pass file is not there
  unrecorded,  // the journal has a hole or lost its end, and no record of a unit that such a capture should hold
};
std::string_view name_of(Fault fault);

// Neighbouring blocks with the same fault.
struct FaultRun {
  std::uint32_t pass = 0;
  UnitPlace place;
  BlockAddress first;
  std::uint32_t count = 0;
  Fault fault = Fault::damaged;
  bool made_up = false;  // its blocks have as many whole passes as most: nothing need be read again
  std::string why;       // of the first block
};

struct VerifiedPass {
  std::uint32_t pass = 0;
  bool sealed = false;  // was read over all of a range that was asked for
  bool without_file = false;  // its own file is not there, or has something else in its place
  std::uint64_t recorded = 0, whole = 0, damaged = 0, missing = 0, unrecorded = 0;  // units; recorded = whole + damaged + missing
  std::uint64_t pages_not_read = 0;  // in whole units: the chip did not give them, which is evidence and no fault
};

// Blocks that `chip read --passes` with this number gives as many whole passes as most have. It reads all targets and LUNs; so a block
// counts, in what most have, by the one that has fewest: once all mends are done, none is left.
struct MendRun {
  BlockAddress first;
  std::uint32_t count = 0, passes = 0;
};

struct CaptureVerification {
  static constexpr std::size_t kRunsListed = 1000;

  CaptureHead head;
  std::vector<VerifiedPass> passes;
  std::uint64_t units = 0, whole_units = 0, bytes = 0;  // recorded; of them whole; raw bytes compared with their hashes
  std::uint32_t read_passes = 0;        // what most blocks were read, whole or not
  std::uint32_t usual_passes = 0;       // whole ones of most blocks that have any, else read_passes: the measure of made_up and of mends
  std::vector<FaultRun> faults;         // by pass, place and block; the first kRunsListed that were met
  std::uint64_t faults_left_out = 0;    // units with a fault that `faults` does not list
  std::vector<MendRun> mends;           // ascending
  std::uint64_t mends_left_out = 0;     // blocks that `mends` does not list; of the last ones that are at fault some may need none
  std::uint64_t beyond_mending = 0;     // blocks that would need more passes than a capture can have
  // Of the journal, as in Contents.
  bool chain_whole = true, closed = false;
  std::vector<Damage> journal_damages;
  std::uint64_t journal_damage_count = 0, journal_damaged_bytes = 0, torn_bytes = 0, dropped_units = 0;
  std::optional<std::uint64_t> chain_break;
  bool journal_whole = true, end_lost = false, end_was_lost = false;
  std::vector<UnnamedBytes> unnamed;
  Digest journal_head{};

  // Every record in its place, every recorded unit there and as it was read. Torn tails, unfinished passes, and what a killed process or
  // a power cut leaves in a pass file are no fault.
  bool whole() const;
};

// Compares every recorded unit of a capture with its hash, and the journal with its chain; changes nothing, and goes on behind
// whatever is wrong. Progress counts units. Memory: some blocks, whatever the chip. Errors: those of CaptureReader::open, where
// head or journal are not there or cannot be understood as file_damaged; interrupted; no_permission.
Result<CaptureVerification> verify_capture(files::FileSystem& system, const std::string& folder, const Hooks& hooks = {});

}  // namespace steadycell::passes
