#pragma once
#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "base/json.h"
#include "base/sha256.h"
#include "files/file_system.h"
#include "files/window.h"

// The journal of a capture: append-only records, each framed and checked by itself and chained to the one before
// (docs/capture.md has the bytes). A cut tail is the end; damage inside is reported with its place and skipped.
namespace steadycell::passes {

// Readers skip types they do not know; their records are chained like any other.
enum class RecordType : std::uint16_t {
  opened = 1,   // a program began to write: tool, time
  unit = 2,     // one unit of a pass stands in its pass file
  synced = 3,   // everything before is on the medium
  sealed = 4,   // a pass over a range is whole
  note = 5,     // something that bears on the evidence: power-ups, WP# levels, causes of a stop
  dropped = 6,  // units taken back: their bytes may not be on the medium
  closed = 7,   // the program ended in good order
};

//  0 4 magic "SCJ1" · 4 4 payload length · 8 2 type · 10 2 zero · 12 8 sequence · 20 n payload (JSON) · 20+n 4 CRC-32C
//  of all before it. The payload's "previous" is the SHA-256 of the whole record before; 64 zeros in the first.
inline constexpr std::size_t kRecordHeaderBytes = 20;
inline constexpr std::size_t kRecordTrailerBytes = 4;
inline constexpr std::size_t kMaxPayloadBytes = 1 << 20;
inline constexpr std::uint64_t kMaxJournalBytes = 0xFFFF'FF00;  // some ten million units; offsets fit 32 bits

struct Record {
  RecordType type = RecordType::note;
  std::uint64_t sequence = 0;
  std::uint64_t offset = 0;  // of the record in the journal
  std::uint64_t bytes = 0;   // whole record
  json::Object payload;
  Digest digest{};           // of the whole record
  bool chained = true;       // "previous" is the digest of the record before
};

struct Damage {
  std::uint64_t offset = 0, bytes = 0;  // in the journal
  std::string why;
};

// Reads records one by one; memory of one record. Damage is searched for the next good record; a file made to be searched
// for ever is given up after kSearchEffort times its size, the rest counting as torn.
class JournalReader {
 public:
  // From `start`, which is 0 or the offset of a record; `previous` is the digest of the record before it.
  JournalReader(files::File& file, std::uint64_t size, std::uint64_t start = 0, const Digest& previous = {});

  // The next good record; nothing at the end. A torn tail ends the journal; end() tells where the last good record ends.
  Result<std::optional<Record>> next();
  // The damage in front of the record that next() returned last.
  const std::optional<Damage>& damage() const { return damage_; }
  std::uint64_t end() const { return position_; }

 private:
  Result<std::optional<std::uint64_t>> find_magic(std::uint64_t from);

  files::Window window_;
  std::uint64_t size_, position_, search_left_;
  Digest previous_;
  std::optional<Damage> damage_;
};

// The record at `offset`; file_damaged when there is no good one.
Result<Record> record_at(files::File& file, std::uint64_t size, std::uint64_t offset);

// Appends records. Used from one thread.
class JournalWriter {
 public:
  JournalWriter(std::unique_ptr<files::File> file, std::uint64_t end, std::uint64_t next_sequence, const Digest& previous)
      : file_(std::move(file)), end_(end), sequence_(next_sequence), previous_(previous) {}

  // Adds "previous" to the payload and writes the record; returns its offset. Not yet on the medium. A failed append
  // leaves the journal as it was.
  Result<std::uint64_t> append(RecordType type, json::Object payload);
  Result<void> sync() { return file_->sync(); }
  files::File& file() { return *file_; }

  const Digest& head() const { return previous_; }
  std::uint64_t end() const { return end_; }

 private:
  std::unique_ptr<files::File> file_;
  std::uint64_t end_, sequence_;
  Digest previous_;
};

}  // namespace steadycell::passes
