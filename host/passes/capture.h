#pragma once
#include <functional>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "base/address.h"
#include "files/file_system.h"
#include "passes/head.h"
#include "passes/journal.h"

// A capture folder, version 1 (docs/capture.md): capture.json, journal, pass-0001.dat and on. Passes are kept as read;
// a unit counts once a record of the journal names it.
namespace steadycell::passes {

// What became of one page of a unit. Only `read` pages vote; the bytes of the others are fill (FF).
enum class PageStatus : std::uint8_t { read = 0, transfer_error = 1, ready_timeout = 2, not_read = 3 };

struct UnitFacts {
  std::uint64_t file_offset = 0, stored_bytes = 0;
  bool xor_zstd = false;
  Digest sha256{};                     // of the unit's raw bytes
  std::vector<std::pair<std::uint32_t, PageStatus>> exceptions;  // pages of the unit that are not `read`
};

// Which units a capture holds. A few bytes a unit, whatever its size.
class UnitIndex {
 public:
  UnitIndex() = default;
  UnitIndex(const Geometry& geometry, std::size_t targets);

  bool has(UnitAddress unit) const { return record_of(unit).has_value(); }
  std::optional<std::uint64_t> record_of(UnitAddress unit) const;  // offset in the journal
  void put(UnitAddress unit, std::uint64_t record_offset);
  void remove(UnitAddress unit);
  std::uint32_t passes() const { return static_cast<std::uint32_t>(offsets_.size()); }  // highest pass with a unit
  // Units of that block, any pass.
  std::uint32_t passes_of(UnitPlace place, BlockAddress block) const;
  std::uint64_t count() const;
  bool contains(UnitAddress unit) const;  // inside the chip

 private:
  std::size_t slot(UnitPlace place, BlockAddress block) const;

  std::uint32_t luns_ = 0, blocks_ = 0;
  std::size_t targets_ = 0;
  std::vector<std::vector<std::uint64_t>> offsets_;  // by pass - 1, then slot; record offset + 1, 0 = absent
};

// What scanning the journal found.
struct Contents {
  UnitIndex units;
  std::vector<Damage> damages;
  bool chain_whole = true;
  std::uint64_t journal_end = 0, next_sequence = 0;
  std::uint64_t torn_bytes = 0;             // behind the last good record
  Digest head{};                            // SHA-256 of the last record
  std::vector<std::uint32_t> sealed_passes;
  std::vector<UnitAddress> unsynced;        // units behind the last `synced` record
};

// Reads a capture. Used from one thread at a time.
class CaptureReader {
 public:
  static Result<CaptureReader> open(files::FileSystem& system, const std::string& folder);

  const CaptureHead& head() const { return head_; }
  const Contents& contents() const { return contents_; }
  const UnitIndex& units() const { return contents_.units; }

  // The raw bytes of a unit, checked against their hash; `out` has block_raw_bytes() bytes, `status` one entry a page.
  Result<void> read_unit(UnitAddress unit, MutableByteSpan out, std::span<PageStatus> status);
  Result<UnitFacts> facts(UnitAddress unit);

 private:
  friend class CaptureWriter;
  CaptureReader(files::FileSystem& system, std::string folder) : system_(&system), folder_(std::move(folder)) {}
  Result<files::File*> pass_file(std::uint32_t pass);
  Result<void> scan();

  files::FileSystem* system_;
  std::string folder_;
  CaptureHead head_;
  Contents contents_;
  std::unique_ptr<files::File> journal_;
  std::uint64_t journal_size_ = 0;
  std::vector<std::unique_ptr<files::File>> pass_files_;
  Bytes stored_;     // scratch: a compressed unit
  Bytes reference_;  // scratch: the pass-1 unit that a later one is a difference to
  std::optional<UnitAddress> reference_unit_;
};

// Adds units to a capture; holds its lock. Used from one thread.
//
// A unit is safe against a killed process when append_unit returns, and against a power cut once acknowledged() counts it.
// After a failure the writer refuses everything; reopen to go on from what the medium holds.
class CaptureWriter {
 public:
  // Makes the folder and its capture.json.
  static Result<CaptureWriter> create(files::FileSystem& system, const std::string& folder, const CaptureHead& head);
  // Goes on with an existing one: drops a torn tail, and units behind the last sync whose bytes are not there.
  static Result<CaptureWriter> open(files::FileSystem& system, const std::string& folder);

  const CaptureHead& head() const { return reader_.head(); }
  const Contents& contents() const { return reader_.contents(); }
  const UnitIndex& units() const { return reader_.units(); }

  // `raw` is the whole block (page + spare, page after page); `status` one entry a page.
  Result<void> append_unit(UnitAddress unit, ByteSpan raw, std::span<const PageStatus> status);
  Result<void> seal_pass(std::uint32_t pass);
  Result<void> note(json::Object facts);
  // Puts everything on the medium. append_unit does so by itself each second or 16 MiB.
  Result<void> sync();
  std::uint64_t acknowledged() const { return acknowledged_; }
  const Digest& journal_head() const { return journal_->head(); }

 private:
  explicit CaptureWriter(CaptureReader reader) : reader_(std::move(reader)) {}
  Result<void> start();
  Result<void> drop_unsafe_tail();
  Result<files::File*> pass_file_for_writing(std::uint32_t pass);
  Result<std::uint64_t> record(RecordType type, json::Object payload);
  template <typename T>
  Result<T> keep(Result<T> result);

  std::unique_ptr<files::Lock> lock_;
  CaptureReader reader_;
  std::unique_ptr<JournalWriter> journal_;
  struct PassFile {
    std::unique_ptr<files::File> file;
    std::uint64_t end = 0;
    bool dirty = false;
  };
  std::vector<PassFile> pass_files_;
  Bytes packed_, difference_, reference_;
  std::vector<PageStatus> reference_status_;
  std::uint64_t appended_ = 0, acknowledged_ = 0, unsynced_bytes_ = 0, last_sync_ns_ = 0;
  std::optional<Error> broken_;
};

}  // namespace steadycell::passes
