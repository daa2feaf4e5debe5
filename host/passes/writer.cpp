#include <time.h>

#include <algorithm>
#include <cassert>
#include <chrono>

#include "files/atomic.h"
#include "passes/capture.h"
#include "passes/layout.h"

namespace steadycell::passes {
namespace {

constexpr std::uint64_t kSyncBytes = 16 << 20;
constexpr std::uint64_t kSyncNanoseconds = 1'000'000'000;

std::uint64_t monotonic_ns() {
  return static_cast<std::uint64_t>(
      std::chrono::duration_cast<std::chrono::nanoseconds>(std::chrono::steady_clock::now().time_since_epoch()).count());
}

std::string wall_time() {  // UTC, so that neither zone nor locale plays a part
  const std::time_t now = std::time(nullptr);
  std::tm utc{};
  gmtime_r(&now, &utc);
  return fmt::format("{:04}-{:02}-{:02}T{:02}:{:02}:{:02}Z", utc.tm_year + 1900, utc.tm_mon + 1, utc.tm_mday, utc.tm_hour, utc.tm_min, utc.tm_sec);
}

}  // namespace

Result<CaptureWriter> CaptureWriter::create(files::FileSystem& system, const std::string& folder, const CaptureHead& head) {
  if (const auto made = system.make_directory(folder); !made) return failure(Error(made.error()).during("making capture {}", folder));
  auto journal = system.create(files::join(folder, std::string(kJournalName)));
  if (!journal) return failure(Error(journal.error()).during("making capture {}", folder));
  if (const auto synced = (*journal)->sync(); !synced) return failure(synced.error());
  journal->reset();
  // capture.json comes last: a folder with it is a capture, a folder without is the rest of a failed start.
  const std::string text = head_text(head);
  if (const auto written = files::write_whole(system, files::join(folder, std::string(kHeadName)), as_bytes(text)); !written)
    return failure(Error(written.error()).during("making capture {}", folder));
  if (const auto synced = system.sync_directory(files::parent_of(folder)); !synced) return failure(synced.error());
  return open(system, folder);
}

Result<CaptureWriter> CaptureWriter::open(files::FileSystem& system, const std::string& folder) {
  auto lock = system.lock(files::join(folder, std::string(kLockName)));
  if (!lock) return failure(Error(lock.error()).during("opening capture {}", folder));
  auto reader = CaptureReader::open(system, folder);
  if (!reader) return failure(reader.error());
  CaptureWriter writer(std::move(*reader));
  writer.lock_ = std::move(*lock);
  if (const auto started = writer.start(); !started) return failure(Error(started.error()).during("opening capture {}", folder));
  return writer;
}

// A power cut can keep a record and lose the bytes it names. Such a unit, and what the journal says after it, is dropped.
Result<void> CaptureWriter::drop_unsafe_tail() {
  Bytes raw(head().geometry.block_raw_bytes());
  std::vector<PageStatus> status(head().geometry.pages_per_block);
  const std::vector<UnitAddress> tail = contents().unsynced;
  for (const UnitAddress unit : tail) {
    if (reader_.read_unit(unit, raw, status)) continue;
    const std::uint64_t offset = *units().record_of(unit);
    auto journal = reader_.system_->open_write(files::join(reader_.folder_, std::string(kJournalName)));
    if (!journal) return failure(journal.error());
    if (const auto cut = (*journal)->truncate(offset); !cut) return cut;
    if (const auto synced = (*journal)->sync(); !synced) return synced;
    return reader_.scan();
  }
  return {};
}

Result<void> CaptureWriter::start() {
  if (const auto dropped = drop_unsafe_tail(); !dropped) return dropped;
  auto file = reader_.system_->open_write(files::join(reader_.folder_, std::string(kJournalName)));
  if (!file) return failure(file.error());
  if (contents().torn_bytes > 0)
    if (const auto cut = (*file)->truncate(contents().journal_end); !cut) return cut;
  journal_ = std::make_unique<JournalWriter>(std::move(*file), contents().journal_end, contents().next_sequence, contents().head);
  last_sync_ns_ = monotonic_ns();
  acknowledged_ = appended_ = units().count();
  json::Object opened{{"tool", head().tool}, {"dropped_bytes", contents().torn_bytes}};
  const auto recorded = record(RecordType::opened, std::move(opened));
  if (!recorded) return failure(recorded.error());
  return sync();
}

template <typename T>
Result<T> CaptureWriter::keep(Result<T> result) {
  if (!result && !broken_) broken_ = result.error();
  return result;
}

Result<std::uint64_t> CaptureWriter::record(RecordType type, json::Object payload) {
  payload["monotonic_ns"] = monotonic_ns();
  payload["time"] = wall_time();
  return keep(journal_->append(type, std::move(payload)));
}

Result<files::File*> CaptureWriter::pass_file_for_writing(std::uint32_t pass) {
  if (pass_files_.size() < pass) pass_files_.resize(pass);
  PassFile& entry = pass_files_[pass - 1];
  if (entry.file) return entry.file.get();
  const std::string path = files::join(reader_.folder_, pass_name(pass));
  const auto there = reader_.system_->exists(path);
  if (!there) return failure(there.error());
  auto file = *there ? reader_.system_->open_write(path) : reader_.system_->create(path);
  if (!file) return failure(file.error());
  if (!*there)
    if (const auto synced = reader_.system_->sync_directory(reader_.folder_); !synced) return failure(synced.error());
  const auto size = (*file)->size();
  if (!size) return failure(size.error());
  entry.file = std::move(*file);
  entry.end = *size;  // bytes that no record names stay where they are: harmless, and nothing is ever overwritten
  return entry.file.get();
}

Result<void> CaptureWriter::append_unit(UnitAddress unit, ByteSpan raw, std::span<const PageStatus> status) {
  assert(raw.size() == head().geometry.block_raw_bytes() && status.size() == head().geometry.pages_per_block);
  assert(units().contains(unit) && !units().has(unit));
  if (broken_) return failure(*broken_);
  UnitRecord entry;
  entry.unit = unit;
  entry.facts.sha256 = Sha256::of(raw);
  for (std::uint32_t page = 0; page < status.size(); ++page)
    if (status[page] != PageStatus::read) entry.facts.exceptions.emplace_back(page, status[page]);

  ByteSpan stored = raw;
  const UnitAddress first{unit.place, unit.block, 1};
  if (unit.pass > 1 && units().has(first)) {
    reference_.resize(raw.size());
    reference_status_.resize(status.size());
    if (const auto got = keep(reader_.read_unit(first, reference_, reference_status_)); !got) return got;
    if (pack(raw, reference_, difference_, packed_)) {
      stored = packed_;
      entry.facts.xor_zstd = true;
    }
  }
  const auto file = keep(pass_file_for_writing(unit.pass));
  if (!file) return failure(file.error());
  PassFile& pass = pass_files_[unit.pass - 1];
  entry.facts.file_offset = pass.end;
  entry.facts.stored_bytes = stored.size();
  if (const auto written = keep((*file)->write_at(pass.end, stored)); !written) return written;
  pass.end += stored.size();
  pass.dirty = true;

  const auto offset = record(RecordType::unit, to_json(entry));
  if (!offset) return failure(offset.error());
  reader_.journal_size_ = journal_->end();
  reader_.contents_.units.put(unit, *offset);
  ++appended_;
  unsynced_bytes_ += stored.size();
  if (unsynced_bytes_ >= kSyncBytes || monotonic_ns() - last_sync_ns_ >= kSyncNanoseconds) return sync();
  return {};
}

Result<void> CaptureWriter::seal_pass(std::uint32_t pass) {
  if (broken_) return failure(*broken_);
  const auto sealed = record(RecordType::sealed, {{"pass", pass}});
  if (!sealed) return failure(sealed.error());
  reader_.contents_.sealed_passes.push_back(pass);
  return sync();
}

Result<void> CaptureWriter::note(json::Object facts) {
  if (broken_) return failure(*broken_);
  const auto noted = record(RecordType::note, std::move(facts));
  return noted ? Result<void>() : failure(noted.error());
}

Result<void> CaptureWriter::sync() {
  if (broken_) return failure(*broken_);
  // Data first: a `synced` record on the medium says that the bytes it covers are there too.
  for (PassFile& pass : pass_files_) {
    if (!pass.dirty) continue;
    if (const auto synced = keep(pass.file->sync()); !synced) return synced;
    pass.dirty = false;
  }
  const auto marked = record(RecordType::synced, {{"units", appended_}});
  if (!marked) return failure(marked.error());
  if (const auto synced = keep(journal_->sync()); !synced) return synced;
  reader_.journal_size_ = journal_->end();
  acknowledged_ = appended_;
  unsynced_bytes_ = 0;
  last_sync_ns_ = monotonic_ns();
  return {};
}

}  // namespace steadycell::passes
