#pragma once
#include <algorithm>
#include <array>
#include <functional>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <unordered_map>
#include <vector>

#include "base/address.h"
#include "files/file_system.h"
#include "files/space.h"
#include "passes/clock.h"
#include "passes/head.h"
#include "passes/journal.h"
#include "passes/stage_times.h"
#include "passes/unnamed.h"

// A capture folder, versions 1 and 2 (docs/capture.md): capture.json, journal, pass-0001.dat and on. Passes are kept as read;
// a unit counts once a record of the journal names it. Memory stays small whatever the chip, the journal or its headers say.
namespace steadycell::passes {

class Hasher;
class UnitCodec;

// What became of one page of a unit. Only `read` pages vote; the bytes of the others are fill (FF) or what came last.
enum class PageStatus : std::uint8_t { read = 0, transfer_error = 1, ready_timeout = 2, not_read = 3 };

struct PageRun {
  std::uint32_t first = 0, count = 0;
  friend bool operator==(const PageRun&, const PageRun&) = default;
};

// What else is known about the reading of a unit.
struct Circumstances {
  std::uint64_t repeated_page_reads = 0;  // beyond one for each page: they disturb the block like any read
  std::vector<PageRun> busy_not_seen;     // pages that came without R/B# ever seen low; they are read all the same
  friend bool operator==(const Circumstances&, const Circumstances&) = default;
};

// How the bytes of a unit are stored (docs/capture.md).
enum class Codec : std::uint8_t {
  whole = 0,       // as they are
  difference = 1,  // XOR with those of pass 1, packed
  changes = 2,     // what of that is not 0, as a list, packed; in captures of version 2
};

struct UnitFacts {
  std::uint64_t file_offset = 0, stored_bytes = 0;
  Codec codec = Codec::whole;
  Digest sha256{};                                        // of the unit's raw bytes
  // difference_digest() of a difference: with the unit of pass 1 that it was made to, it fixes the raw bytes as surely as sha256 does.
  // Nothing where it is not sure that the difference was made to what pass 1 gave (captures of earlier versions).
  std::optional<Digest> difference_sha256;
  std::optional<std::uint32_t> crc32c;                    // of the raw bytes of pass 1, so that packing knows them again
  std::vector<std::pair<PageRun, PageStatus>> exceptions;  // pages of the unit that are not `read`, ascending
  Circumstances circumstances;

  bool is_difference() const { return codec != Codec::whole; }  // to the unit of pass 1
};

// One entry a page.
std::vector<PageStatus> page_status(const UnitFacts& facts, std::uint32_t pages_per_block);

// Which units a capture holds, and where the journal describes them: about 4 bytes a unit.
class UnitIndex {
 public:
  UnitIndex() = default;
  UnitIndex(const Geometry& geometry, std::span<const TargetIdentity> targets);

  bool has(UnitAddress unit) const { return record_of(unit).has_value(); }
  std::optional<std::uint64_t> record_of(UnitAddress unit) const;  // offset in the journal
  // False when that would take more memory than any real capture needs (kMaxGroups).
  [[nodiscard]] bool put(UnitAddress unit, std::uint64_t record_offset);
  void remove(UnitAddress unit);
  std::uint32_t passes() const { return passes_; }  // highest pass that ever had a unit
  // Units of that block, any pass.
  std::uint32_t passes_of(UnitPlace place, BlockAddress block) const;
  std::uint64_t count() const { return count_; }
  bool contains(UnitAddress unit) const;  // inside the chip; targets keep their numbers, gaps included

  static constexpr std::uint32_t kMaxPass = 255;
  static constexpr std::size_t kMaxGroups = 1 << 17;  // 40 MB; 8 million units that are neighbours

 private:
  static constexpr std::uint32_t kGroup = 64;  // neighbouring blocks of one pass
  using Group = std::array<std::uint32_t, kGroup>;  // record offset + 1, 0 = absent; journals end below 4 GiB
  std::uint64_t key(UnitAddress unit) const;

  std::uint32_t luns_ = 0, blocks_ = 0, passes_ = 0;
  std::uint32_t targets_ = 0;  // bit n: target n
  std::uint64_t count_ = 0;
  std::unordered_map<std::uint64_t, Group> groups_;
};

// What scanning the journal found.
struct Contents {
  static constexpr std::size_t kDamagesListed = 1000, kBoardChecksListed = 32;

  UnitIndex units;
  std::vector<Damage> damages;              // the first kDamagesListed
  std::uint64_t damage_count = 0, damaged_bytes = 0;
  bool chain_whole = true;
  std::optional<std::uint64_t> chain_break;  // journal offset of the first record that does not follow its forerunner
  std::uint64_t journal_end = 0, next_sequence = 0;
  std::uint64_t synced_end = 0;             // where the last `synced` or `closed` record begins: all before it is on the medium
  std::uint64_t torn_bytes = 0;             // behind the last good record, or behind the first hole after synced_end
  std::uint64_t dropped_units = 0;          // written, then taken back (a failed sync, bytes lost at a power cut)
  bool closed = false;                      // the last writer ended in good order
  Digest head{};                            // SHA-256 of the last record
  std::vector<std::uint32_t> sealed_passes;  // each once, in the order of their first sealing
  std::vector<std::string> board_checks;    // what was known of the fixture board when it was read, each once; the first of them
  std::vector<std::uint64_t> pass_ends;     // by pass - 1: end of what records speak of in the pass file, units or UnnamedBytes found
  std::uint64_t later_stored_bytes = 0;     // of all units of later passes that were ever recorded
  std::vector<UnnamedBytes> unnamed;        // when the capture was opened
  bool end_lost = false;                    // they tell that the journal lost its end
  bool end_was_lost = false;                // that which earlier writers found when they went on told so

  // No record is missing, changed or out of its place. A torn tail is no fault.
  bool journal_whole() const { return chain_whole && damage_count == 0 && !end_lost && !end_was_lost; }
  // Closed by its last writer, and nothing behind or in front of that is missing, changed or torn.
  bool in_order() const { return closed && chain_whole && damage_count == 0 && torn_bytes == 0 && !end_lost; }
  bool sealed(std::uint32_t pass) const { return std::ranges::find(sealed_passes, pass) != sealed_passes.end(); }
};

// One of several units that are read together: as read_unit, which `got` answers for.
struct UnitRead {
  UnitAddress unit;
  MutableByteSpan out;
  std::span<PageStatus> status;
  Result<void> got{};
  bool lost_with_pass_1 = false;  // it is a difference, and what it was made to is not there any more
};

// Reads a capture, also while a writer adds to it (it then sees what was there when it opened). Used from one thread.
class CaptureReader {
 public:
  // Errors: not_found, bad_input_file, version_unknown, file_damaged, storage errors. A damaged journal still opens.
  static Result<CaptureReader> open(files::FileSystem& system, const std::string& folder);
  CaptureReader(CaptureReader&&) noexcept;
  CaptureReader& operator=(CaptureReader&&) noexcept;
  ~CaptureReader();

  const CaptureHead& head() const { return head_; }
  const Contents& contents() const { return contents_; }
  const UnitIndex& units() const { return contents_.units; }

  // The raw bytes of a unit, checked against their hash; `out` has block_raw_bytes() bytes, `status` one entry a page.
  // Errors: not_found for a unit or a pass file that is not there, file_damaged, storage errors.
  Result<void> read_unit(UnitAddress unit, MutableByteSpan out, std::span<PageStatus> status);
  // The same for the passes of a block, faster: each is hashed on a thread of its own while the next is read, and what is the
  // difference to a pass 1 among them takes its bytes from there.
  void read_units(std::span<UnitRead> units);
  Result<UnitFacts> facts(UnitAddress unit);
  // Page reads each block has seen in all sessions, by block: every unit ever journalled, repeats, and noted reads.
  Result<std::vector<std::uint64_t>> page_reads(UnitPlace place);
  // Every record in order, notes included; stops at the first failure that `visit` returns.
  Result<void> for_each_record(const std::function<Result<void>(const Record&)>& visit);

 private:
  friend class CaptureWriter;
  friend class BlockPasses;
  CaptureReader(files::FileSystem& system, std::string folder);
  Result<files::File*> pass_file(std::uint32_t pass);
  Error without_journal(const Error& error) const;
  Result<void> scan();
  Result<std::optional<std::uint64_t>> scan_records();
  void take_in(const Record& record);
  void take_in_unit(const Record& record);
  void take_in_note(const Record& record);
  void take_in_opened(const Record& record, bool after_closed);
  bool tells_of_a_lost_end(std::span<const UnnamedBytes> unnamed, bool closed) const;
  // What a writer found when it opened: its bytes count as spoken of.
  void take_in_unnamed(std::span<const UnnamedBytes> unnamed);
  void note_damage(Damage damage);
  // What is stored of a unit, facts.stored_bytes, unchecked.
  Result<void> read_stored(UnitAddress unit, const UnitFacts& facts, MutableByteSpan out);
  // Bytes of a pass-1 unit as they lie in the file, unchecked: what a later pass is the difference to.
  Result<void> read_reference(UnitAddress unit, const UnitFacts& facts, std::uint64_t offset, MutableByteSpan out);
  // The bytes of a unit, not yet checked. `pass_1`: those of pass 1 as its file has them, or empty where they are not at hand.
  Result<void> fetch(UnitAddress unit, const UnitFacts& facts, ByteSpan pass_1, MutableByteSpan out);
  // `got` with the place and the way to mend it.
  Error not_read(UnitAddress unit, const Error& why) const;
  // SHA-256 of what is stored of a unit.
  Result<Digest> stored_digest(UnitAddress unit, const UnitFacts& facts);
  // Instead of `error`, which the unit cannot be had by: where its own bytes are there, and pass 1 no longer has what they are the
  // difference to.
  std::optional<Error> blame_on_pass_1(UnitAddress unit, const UnitFacts& facts, const Error& error);
  // What is left once the bytes are there.
  Result<void> check(UnitAddress unit, const UnitFacts& facts, const Digest& digest, std::span<PageStatus> status) const;

  files::FileSystem* system_;
  std::string folder_;
  CaptureHead head_;
  Contents contents_;
  std::unique_ptr<files::File> journal_;
  std::uint64_t journal_size_ = 0;
  std::vector<std::unique_ptr<files::File>> pass_files_;
  std::unique_ptr<UnitCodec> codec_;
  std::unique_ptr<Hasher> hasher_;  // made when first needed
};

struct WriterOptions {
  std::string tool;              // program and version that writes now; empty: the one that made the capture
  const Clock* clock = nullptr;  // null: the real one
  std::uint64_t journal_reserve = files::kReserveBytes;  // disk kept for the journal, so that a full disk can still be written down
};

// Adds units to a capture; holds its lock, so that no second process writes. Used from one thread: the file-writer thread.
//
// A unit is safe against a killed process when append_unit returns, and against a power cut once it is acknowledged.
// Failed writes change nothing: what came before can still be noted and synced (a full disk, for one). A failed sync is
// final: units not yet acknowledged are taken back, every further call fails, and they are to be read from the chip again.
class CaptureWriter {
 public:
  // Makes the folder with capture.json and an empty journal, under its name only when complete. Errors: already_exists.
  static Result<CaptureWriter> create(files::FileSystem& system, const std::string& folder, const CaptureHead& head,
                                      WriterOptions options = {});
  // Goes on with an existing one: cuts the journal's torn tail, and takes back units behind the last sync whose bytes are not there.
  // No byte of a pass file is cut off or written over: what no record names stays, and new units come behind it.
  // Errors: in_use, and those of CaptureReader::open. Whether it is the same chip is for the caller to compare.
  static Result<CaptureWriter> open(files::FileSystem& system, const std::string& folder, WriterOptions options = {});
  CaptureWriter(CaptureWriter&&) noexcept;
  CaptureWriter& operator=(CaptureWriter&&) noexcept;
  ~CaptureWriter();

  const CaptureHead& head() const { return reader_.head(); }
  const Contents& contents() const { return reader_.contents(); }
  const UnitIndex& units() const { return reader_.units(); }
  CaptureReader& reader() { return reader_; }  // sees every unit appended so far

  // `raw` is the whole block (page + spare, page after page); `status` one entry a page. A unit is added once.
  Result<void> append_unit(UnitAddress unit, ByteSpan raw, std::span<const PageStatus> status, const Circumstances& circumstances = {});
  Result<void> seal_pass(std::uint32_t pass);
  // Something that bears on the evidence: power-ups, WP# levels, conditions, causes of a stop. Name it in "event".
  Result<void> note(json::Object facts);
  // Reads of a block that became no unit (proofs, searches): they count in page_reads().
  Result<void> note_page_reads(UnitPlace place, BlockAddress block, std::uint64_t page_reads, const std::string& why);
  // Puts everything on the medium. append_unit does so by itself each second or 16 MiB of units.
  Result<void> sync();
  // The same when it is due: for a writer that has nothing to append, at least every 100 ms.
  Result<void> sync_if_due();
  // Closes in good order; returns the journal's head, which fixes everything before it. Nothing may follow.
  Result<Digest> finish(json::Object facts = {});

  // Units that a power cut cannot take any more; `tell` hears of each group after the sync that covers it.
  std::uint64_t acknowledged() const { return acknowledged_; }
  void on_acknowledged(std::function<void(std::span<const UnitAddress>)> tell) { tell_ = std::move(tell); }
  const Digest& journal_head() const { return journal_->head(); }
  // Of append_unit so far.
  const StageTimes& times() const { return times_; }

 private:
  CaptureWriter(CaptureReader reader, WriterOptions options);
  struct PassFile {
    std::unique_ptr<files::File> file;
    std::uint64_t end = 0;  // where the next unit goes
    bool dirty = false;
  };
  struct Tail;
  Result<void> start();
  Result<Tail> mend_tail();
  Result<bool> mend_unit(UnitAddress unit, MutableByteSpan raw, std::span<PageStatus> status);
  Result<PassFile*> pass_file(std::uint32_t pass);
  Result<void> store(PassFile& file, UnitAddress unit, ByteSpan raw, UnitFacts& facts);
  Result<std::uint64_t> record(RecordType type, json::Object payload);
  Result<void> take_back(const std::vector<UnitAddress>& units, const std::string& why);
  tl::unexpected<Error> give_up(Error error);
  std::string safe_units() const;
  const Clock& clock() const { return options_.clock ? *options_.clock : system_clock(); }

  std::unique_ptr<files::Lock> lock_;
  CaptureReader reader_;
  WriterOptions options_;
  std::unique_ptr<JournalWriter> journal_;
  std::unique_ptr<Hasher> hasher_;
  StageTimes times_;
  std::vector<PassFile> pass_files_;
  std::vector<UnitAddress> pending_;  // appended, not yet acknowledged
  std::function<void(std::span<const UnitAddress>)> tell_;
  std::uint64_t acknowledged_ = 0, unsynced_bytes_ = 0, last_sync_ns_ = 0, reserved_end_ = 0;
  std::uint64_t quiet_end_ = 0;  // of the journal behind the last sync: no growth, nothing to sync
  std::optional<Error> broken_;
};

}  // namespace steadycell::passes
