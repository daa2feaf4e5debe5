#include <algorithm>
#include <cassert>

#include "base/text.h"
#include "files/atomic.h"
#include "passes/capture.h"
#include "passes/codec.h"
#include "passes/hasher.h"
#include "passes/layout.h"
#include "passes/unnamed.h"

namespace steadycell::passes {
namespace {

constexpr std::uint64_t kSyncNanoseconds = 1'000'000'000;
constexpr std::size_t kUnitsADroppedRecord = 1000;

// Pages with the same status, in runs.
std::vector<std::pair<PageRun, PageStatus>> exceptions_of(std::span<const PageStatus> status) {
  std::vector<std::pair<PageRun, PageStatus>> runs;
  for (std::uint32_t page = 0; page < status.size(); ++page) {
    if (status[page] == PageStatus::read) continue;
    const bool goes_on = !runs.empty() && runs.back().second == status[page] && runs.back().first.first + runs.back().first.count == page;
    if (goes_on) ++runs.back().first.count;
    else runs.emplace_back(PageRun{page, 1}, status[page]);
  }
  return runs;
}

Result<void> fill_new_folder(files::AtomicFolder& made, const CaptureHead& head) {
  for (const auto& [name, text] : {std::pair{kHeadName, head_text(head)}, {kJournalName, std::string()}}) {
    const auto file = made.create_file(std::string(name));
    if (!file) return failure(file.error());
    if (auto written = (*file)->write_at(0, as_bytes(text)); !written) return written;
    if (auto synced = (*file)->sync(); !synced) return synced;
  }
  return made.commit();
}

// Why what bears the name of a pass file could not be opened for writing.
Error not_a_pass_file(files::FileSystem& system, const std::string& path, std::uint32_t pass, const Error& error) {
  const auto read = system.open_read(path);
  if (read) return error;
  const Error why = without_pass_file(pass, read.error());
  if (why.code() != ErrorCode::not_found) return error;
  return Error(ErrorCode::already_exists, why.what() + ", but pass " + std::to_string(pass) + " is to be kept in a file of this name")
      .at(path)
      .keeping("what was read before is safe")
      .advising("move it away, or put the pass file back in its place, then go on with the same command");
}

}  // namespace

CaptureWriter::CaptureWriter(CaptureReader reader, WriterOptions options)
    : reader_(std::move(reader)), options_(std::move(options)), hasher_(std::make_unique<Hasher>()) {}
CaptureWriter::CaptureWriter(CaptureWriter&&) noexcept = default;
CaptureWriter& CaptureWriter::operator=(CaptureWriter&&) noexcept = default;
CaptureWriter::~CaptureWriter() {
  if (journal_ && !broken_) (void)journal_->file().truncate(journal_->end());  // gives back what was reserved
}

Result<CaptureWriter> CaptureWriter::create(files::FileSystem& system, const std::string& folder, const CaptureHead& head,
                                            WriterOptions options) {
  auto made = files::AtomicFolder::create(system, folder);
  const auto filled = made ? fill_new_folder(*made, head) : failure(made.error());
  if (!filled) return failure(Error(filled.error()).during("making capture {}", folder));
  return open(system, folder, std::move(options));
}

Result<CaptureWriter> CaptureWriter::open(files::FileSystem& system, const std::string& folder, WriterOptions options) {
  // Looked for first, so that no lock file is left in a folder that is no capture.
  const auto there = system.exists(files::join(folder, std::string(kHeadName)));
  if (!there) return failure(Error(there.error()).during("opening capture {}", folder));
  if (!*there) {
    Error why = files::explain_folder(system, folder, files::FolderKind::capture, Error(ErrorCode::not_found, "opening capture " + folder));
    if (why.code() != ErrorCode::not_found) return failure(std::move(why));
    return failure(std::move(why).advising("give the folder of a capture; for a new one, a folder that is not there yet"));
  }
  auto lock = system.lock(files::join(folder, std::string(kLockName)));
  if (!lock) return failure(Error(lock.error()).during("opening capture {}", folder));
  auto reader = CaptureReader::open(system, folder);
  if (!reader) return failure(reader.error());
  CaptureWriter writer(std::move(*reader), std::move(options));
  writer.lock_ = std::move(*lock);
  if (const auto started = writer.start(); !started) return failure(Error(started.error()).during("opening capture {}", folder));
  return writer;
}

// What is not sure to be on the medium: the last `synced` record and all behind it.
struct CaptureWriter::Tail {
  std::vector<UnitAddress> lost;  // whose bytes are not there
  std::uint64_t kept = 0;
};

Result<void> CaptureWriter::start() {
  files::FileSystem& system = *reader_.system_;
  auto file = system.open_write(files::join(reader_.folder_, std::string(kJournalName)));
  if (!file) return failure(file.error());
  Contents& contents = reader_.contents_;
  journal_ = std::make_unique<JournalWriter>(std::move(*file), contents.journal_end, contents.next_sequence, contents.head);
  last_sync_ns_ = clock().monotonic_ns();
  // Whoever made the folder may have been killed before this.
  auto named = system.sync_directory(files::parent_of(reader_.folder_));
  if (!named && named.error().code() != ErrorCode::no_permission) return named;

  const auto tail = mend_tail();
  if (!tail) return failure(tail.error());
  if (contents.torn_bytes > 0)
    if (auto cut = journal_->file().truncate(contents.journal_end); !cut) return cut;
  if (const auto kept = journal_->file().reserve(contents.journal_end, options_.journal_reserve); !kept)
    return failure(Error(kept.error()).during("keeping {} for the journal", human_bytes(options_.journal_reserve)));
  reserved_end_ = contents.journal_end + options_.journal_reserve;

  json::Object opened{{"tool", options_.tool.empty() ? head().tool : options_.tool}, {"torn_bytes", contents.torn_bytes},
                      {"mended_units", tail->kept}, {"lost_units", tail->lost.size()}};
  if (!contents.unnamed.empty()) opened["unnamed_bytes"] = to_json(contents.unnamed);
  if (!system.syncs_directories(reader_.folder_)) opened["directory_sync"] = false;
  if (const auto recorded = record(RecordType::opened, std::move(opened)); !recorded) return failure(recorded.error());
  contents.torn_bytes = 0;
  reader_.take_in_unnamed(contents.unnamed);
  if (auto taken = take_back(tail->lost, "the bytes were not in the pass file"); !taken) return taken;
  if (auto synced = sync(); !synced) return synced;
  acknowledged_ = units().count();
  return {};
}

// A killed process leaves bytes that only the cache holds, a power cut records without their bytes, and after a failed sync
// the cache may show what the medium never got, without trying again. So the last `synced` record, which was itself not yet
// synced, and everything behind it is checked and written once more: the sync that follows then speaks for it.
Result<CaptureWriter::Tail> CaptureWriter::mend_tail() {
  Tail tail;
  const Contents& contents = this->contents();
  if (contents.synced_end >= contents.journal_end) return tail;
  Bytes raw;
  std::vector<PageStatus> status(head().geometry.pages_per_block);
  JournalReader records(*reader_.journal_, contents.journal_end, contents.synced_end);
  for (;;) {
    const auto next = records.next();
    if (!next) return failure(next.error());
    if (!*next) break;
    if ((*next)->type != RecordType::unit) continue;
    const auto entry = unit_record_from((*next)->payload, head().geometry);
    if (!entry || units().record_of(entry->unit) != (*next)->offset) continue;
    raw.resize(head().geometry.block_raw_bytes());
    const auto mended = mend_unit(entry->unit, raw, status);
    if (!mended) return failure(mended.error());
    if (*mended) ++tail.kept;
    else tail.lost.push_back(entry->unit);
  }
  Bytes piece(UnitCodec::kPieceBytes);
  for (std::uint64_t at = contents.synced_end; at < contents.journal_end; at += piece.size()) {
    piece.resize(static_cast<std::size_t>(std::min<std::uint64_t>(piece.size(), contents.journal_end - at)));
    const auto got = reader_.journal_->read_at(at, piece);
    if (!got) return failure(got.error());
    if (const auto written = journal_->file().write_at(at, ByteSpan(piece).first(*got)); !written) return failure(written.error());
  }
  return tail;
}

// False when the unit cannot be had back; it is then to be read from the chip again.
Result<bool> CaptureWriter::mend_unit(UnitAddress unit, MutableByteSpan raw, std::span<PageStatus> status) {
  if (const auto read = reader_.read_unit(unit, raw, status); !read) {
    reader_.contents_.units.remove(unit);
    return false;
  }
  const auto facts = reader_.facts(unit);
  const auto source = reader_.pass_file(unit.pass);
  const auto target = pass_file(unit.pass);
  if (!facts) return failure(facts.error());
  if (!source) return failure(source.error());
  if (!target) return failure(target.error());
  Bytes piece;
  for (std::uint64_t at = 0; at < facts->stored_bytes; at += piece.size()) {
    piece.resize(static_cast<std::size_t>(std::min<std::uint64_t>(UnitCodec::kPieceBytes, facts->stored_bytes - at)));
    const auto got = (*source)->read_at(facts->file_offset + at, piece);
    if (!got) return failure(got.error());
    if (const auto written = (*target)->file->write_at(facts->file_offset + at, ByteSpan(piece).first(*got)); !written)
      return failure(written.error());
  }
  (*target)->dirty = true;
  return true;
}

Result<CaptureWriter::PassFile*> CaptureWriter::pass_file(std::uint32_t pass) {
  if (pass_files_.size() < pass) pass_files_.resize(pass);
  PassFile& entry = pass_files_[pass - 1];
  if (entry.file) return &entry;
  files::FileSystem& system = *reader_.system_;
  const std::string path = files::join(reader_.folder_, pass_name(pass));
  const auto there = system.exists(path);
  if (!there) return failure(there.error());
  auto file = *there ? system.open_write(path) : system.create(path);
  if (!file) return failure(*there ? not_a_pass_file(system, path, pass, file.error()) : file.error());
  // Also for one that is there: its maker may have been killed before this.
  if (const auto synced = system.sync_directory(reader_.folder_); !synced) return failure(synced.error());
  const auto size = (*file)->size();
  if (!size) return failure(size.error());
  const auto& ends = reader_.contents_.pass_ends;
  // Behind bytes that no record names, too: their records may come back with a copy of the journal.
  entry.end = std::max(*size, pass <= ends.size() ? ends[pass - 1] : 0);
  entry.file = std::move(*file);
  return &entry;
}

Result<std::uint64_t> CaptureWriter::record(RecordType type, json::Object payload) {
  payload["monotonic_ns"] = clock().monotonic_ns();
  payload["time"] = clock().wall_time();
  auto offset = journal_->append(type, std::move(payload));
  if (!offset) return offset;
  Contents& contents = reader_.contents_;
  reader_.journal_size_ = contents.journal_end = journal_->end();
  ++contents.next_sequence;
  contents.head = journal_->head();
  return offset;
}

// Bytes of the unit into the pass file at facts.file_offset; tells `facts` how they are stored. Pass 1, and blocks it does not have, are
// stored as they are, and so is what would be the difference to bytes that are no longer those that pass 1 gave.
Result<void> CaptureWriter::store(PassFile& file, UnitAddress unit, ByteSpan raw, UnitFacts& facts) {
  file.dirty = true;
  ByteSpan bytes = raw;
  const UnitAddress first{unit.place, unit.block, 1};
  const auto reference = unit.pass > 1 && units().has(first) ? reader_.facts(first) : failure(ErrorCode::not_found, "pass 1");
  if (reference) {
    const auto packed = reader_.codec_->pack(
        raw, [&](std::uint64_t at, MutableByteSpan piece) { return reader_.read_reference(first, *reference, at, piece); },
        head().version >= 2);
    const bool is_shorter = packed && *packed, is_pass_1 = is_shorter && (*packed)->reference_crc32c == reference->crc32c;
    if (is_shorter && (is_pass_1 || !reference->crc32c)) {
      bytes = (*packed)->frame;
      facts.codec = (*packed)->codec;
      if (is_pass_1) facts.difference_sha256 = difference_digest(reference->sha256, bytes);
    }
  }
  if (unit.pass == 1) facts.crc32c = crc32c(raw);
  facts.stored_bytes = bytes.size();
  return file.file->write_at(facts.file_offset, bytes);
}

Result<void> CaptureWriter::append_unit(UnitAddress unit, ByteSpan raw, std::span<const PageStatus> status,
                                        const Circumstances& circumstances) {
  assert(raw.size() == head().geometry.block_raw_bytes() && status.size() == head().geometry.pages_per_block);
  if (broken_) return failure(*broken_);
  if (!units().contains(unit)) return failure(ErrorCode::internal, "{} is outside the chip of the capture", describe(unit));
  if (units().has(unit)) return failure(ErrorCode::internal, "{} is in the capture already", describe(unit));
  UnitRecord entry;
  entry.unit = unit;
  entry.facts.exceptions = exceptions_of(status);
  entry.facts.circumstances = circumstances;

  const auto opened = pass_file(unit.pass);
  if (!opened) return failure(Error(opened.error()).during("keeping {}", describe(unit)).keeping(safe_units()));
  PassFile& file = **opened;
  entry.facts.file_offset = file.end;
  hasher_->start(raw);
  const auto stored = times_.time("packing and writing", [&] { return store(file, unit, raw, entry.facts); });
  entry.facts.sha256 = times_.time("waiting for the hash", [&] { return hasher_->finish(); });
  if (!stored) {
    (void)file.file->truncate(entry.facts.file_offset);  // of the unit's own bytes, no others are behind
    return failure(Error(stored.error()).during("keeping {}", describe(unit)).keeping(safe_units()));
  }
  const auto offset = record(RecordType::unit, to_json(entry));
  if (!offset) {
    (void)file.file->truncate(entry.facts.file_offset);
    return failure(Error(offset.error()).during("keeping {}", describe(unit)).keeping(safe_units()));
  }
  file.end += entry.facts.stored_bytes;
  auto& ends = reader_.contents_.pass_ends;
  if (ends.size() < unit.pass) ends.resize(unit.pass);
  ends[unit.pass - 1] = file.end;
  if (unit.pass > 1) reader_.contents_.later_stored_bytes += entry.facts.stored_bytes;
  if (!reader_.contents_.units.put(unit, *offset)) return failure(ErrorCode::internal, "the capture holds too many units");
  pending_.push_back(unit);
  unsynced_bytes_ += raw.size();
  return sync_if_due();
}

Result<void> CaptureWriter::seal_pass(std::uint32_t pass) {
  if (broken_) return failure(*broken_);
  if (const auto sealed = record(RecordType::sealed, {{"pass", pass}}); !sealed) return failure(sealed.error());
  auto& passes = reader_.contents_.sealed_passes;
  if (std::find(passes.begin(), passes.end(), pass) == passes.end()) passes.push_back(pass);
  return sync();
}

Result<void> CaptureWriter::note(json::Object facts) {
  if (broken_) return failure(*broken_);
  const auto noted = record(RecordType::note, std::move(facts));
  return noted ? Result<void>() : failure(noted.error());
}

Result<void> CaptureWriter::note_page_reads(UnitPlace place, BlockAddress block, std::uint64_t page_reads, const std::string& why) {
  return note({{"event", kPageReadsEvent},
               {"target", place.target},
               {"lun", place.lun},
               {"block", block.index},
               {"page_reads", page_reads},
               {"why", why}});
}

Result<void> CaptureWriter::sync_if_due() {
  if (broken_) return failure(*broken_);
  const bool due = unsynced_bytes_ >= kSyncBytes || clock().monotonic_ns() - last_sync_ns_ >= kSyncNanoseconds;
  return due ? times_.time("putting on the medium", [&] { return sync(); }) : Result<void>();
}

Result<void> CaptureWriter::sync() {
  if (broken_) return failure(*broken_);
  last_sync_ns_ = clock().monotonic_ns();
  Contents& contents = reader_.contents_;
  if (journal_->end() == quiet_end_) return {};
  // A folder that was moved or deleted still takes what is written, for nobody to find.
  const auto there = reader_.system_->exists(files::join(reader_.folder_, std::string(kJournalName)));
  if (!there) return give_up(there.error());
  if (!*there)
    return give_up(Error(ErrorCode::storage_failed, fmt::format("{} was moved or deleted", reader_.folder_))
                       .advising("look for the folder, then run the same command again"));
  for (PassFile& pass : pass_files_) {
    if (!pass.dirty) continue;
    if (const auto synced = pass.file->sync(); !synced) return give_up(synced.error());
    pass.dirty = false;
  }
  if (const auto synced = journal_->sync(); !synced) return give_up(synced.error());
  acknowledged_ += pending_.size();
  if (tell_ && !pending_.empty()) tell_(pending_);
  pending_.clear();
  unsynced_bytes_ = 0;
  // Written after the fact and synced with the next group: where it stands, everything before it is on the medium.
  const auto marked = record(RecordType::synced, {{"units", acknowledged_}});
  if (!marked) return failure(marked.error());
  contents.synced_end = *marked;
  quiet_end_ = journal_->end();
  if (journal_->end() + options_.journal_reserve / 2 > reserved_end_ && journal_->file().reserve(journal_->end(), options_.journal_reserve))
    reserved_end_ = journal_->end() + options_.journal_reserve;
  return {};
}

std::string CaptureWriter::safe_units() const { return counted(acknowledged_, "unit") + " safe"; }

// The units' bytes are suspect from here on: they are taken back in the journal and never count again.
tl::unexpected<Error> CaptureWriter::give_up(Error error) {
  broken_ = std::move(error).during("putting the capture on the disk")
                .keeping(fmt::format("{}; to be read again: {}", safe_units(), pending_.size()));
  (void)take_back(pending_, broken_->what());  // where even this fails, the next session checks and writes them once more
  pending_.clear();
  return failure(*broken_);
}

Result<void> CaptureWriter::take_back(const std::vector<UnitAddress>& units, const std::string& why) {
  Contents& contents = reader_.contents_;
  for (const UnitAddress unit : units) contents.units.remove(unit);
  contents.dropped_units += units.size();
  for (std::size_t at = 0; at < units.size(); at += kUnitsADroppedRecord) {
    json::Array list;
    for (std::size_t i = at; i < std::min(units.size(), at + kUnitsADroppedRecord); ++i) list.push_back(to_json(units[i]));
    if (const auto recorded = record(RecordType::dropped, {{"why", why}, {"units", std::move(list)}}); !recorded)
      return failure(recorded.error());
  }
  return {};
}

Result<Digest> CaptureWriter::finish(json::Object facts) {
  if (const auto synced = sync(); !synced) return failure(synced.error());
  // `closed` speaks for all before it, the last `synced` record too.
  if (const auto synced = journal_->sync(); !synced) return give_up(synced.error());
  facts["units"] = units().count();
  if (const auto closed = record(RecordType::closed, std::move(facts)); !closed) return failure(closed.error());
  if (const auto synced = journal_->sync(); !synced) return give_up(synced.error());
  reader_.contents_.closed = true;
  (void)journal_->file().truncate(journal_->end());
  broken_.emplace(ErrorCode::internal, "the capture is closed");
  return journal_head();
}

}  // namespace steadycell::passes
