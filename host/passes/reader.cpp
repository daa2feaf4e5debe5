#include <algorithm>
#include <cassert>
#include <utility>

#include "base/text.h"
#include "files/atomic.h"
#include "passes/capture.h"
#include "passes/codec.h"
#include "passes/hasher.h"
#include "passes/layout.h"

namespace steadycell::passes {

CaptureReader::CaptureReader(files::FileSystem& system, std::string folder)
    : system_(&system), folder_(std::move(folder)), codec_(std::make_unique<UnitCodec>()) {}
CaptureReader::CaptureReader(CaptureReader&&) noexcept = default;
CaptureReader& CaptureReader::operator=(CaptureReader&&) noexcept = default;
CaptureReader::~CaptureReader() = default;

Result<CaptureReader> CaptureReader::open(files::FileSystem& system, const std::string& folder) {
  CaptureReader reader(system, folder);
  const std::string head_path = files::join(folder, std::string(kHeadName));
  const auto text = files::read_text(system, head_path, kMaxHeadBytes);
  if (!text)
    return failure(files::explain_folder(system, folder, files::FolderKind::capture,
                                         Error(text.error()).during("opening capture {}", folder)));
  auto head = parse_head(*text);
  if (!head) return failure(Error(head.error()).during("opening capture {}", folder).at(head_path));
  reader.head_ = std::move(*head);
  // Before the journal: what is written meanwhile is then in both, or in the journal alone. A file that cannot be looked at is told of
  // its units.
  const auto sizes = pass_file_sizes(system, folder);
  if (const auto scanned = reader.scan(); !scanned)
    return failure(reader.without_journal(scanned.error()).during("opening capture {}", folder));
  Contents& contents = reader.contents_;
  if (sizes) contents.unnamed = unnamed_behind(contents.pass_ends, *sizes);
  contents.end_lost = reader.tells_of_a_lost_end(contents.unnamed, contents.closed);
  return reader;
}

// What hinders the journal from being read; one that is not there is damage, for the folder is a capture.
Error CaptureReader::without_journal(const Error& error) const {
  if (error.code() != ErrorCode::not_found) return error;
  return Error(ErrorCode::file_damaged, "the journal is missing: nothing else tells what the pass files hold")
      .at(files::join(folder_, std::string(kJournalName)))
      .advising("put it back from a copy; without one, read or import into a new capture");
}

Result<void> CaptureReader::scan() {
  auto file = system_->open_read(files::join(folder_, std::string(kJournalName)));
  if (!file) return failure(file.error());
  const auto size = (*file)->size();
  if (!size) return failure(size.error());
  if (*size > kMaxJournalBytes) return failure(ErrorCode::file_damaged, "the journal has {} bytes, more than any of this version", *size);
  journal_ = std::move(*file);
  journal_size_ = *size;
  auto tail = scan_records();
  if (!tail) return failure(tail.error());
  if (*tail) {
    journal_size_ = **tail;
    tail = scan_records();
    if (!tail) return failure(tail.error());
  }
  contents_.torn_bytes = *size - contents_.journal_end;
  return {};
}

// One look at all records. A place that does not hold together behind the last record that speaks for what is on the
// medium is no damage: a power cut leaves such holes, and what lies behind one was never acknowledged. Its offset is
// returned; the journal ends there.
Result<std::optional<std::uint64_t>> CaptureReader::scan_records() {
  contents_ = Contents{};
  contents_.units = UnitIndex(head_.geometry, head_.targets);
  std::optional<std::uint64_t> hole;
  JournalReader journal(*journal_, journal_size_);
  for (;;) {
    const auto next = journal.next();
    if (!next) return failure(next.error());
    if (!*next) break;
    const Record& record = **next;
    if (journal.damage()) note_damage(*journal.damage());
    if (!hole && journal.damage()) hole = journal.damage()->offset;
    if (!hole && !record.chained) hole = record.offset;
    if (record.type == RecordType::synced || record.type == RecordType::closed) {
      hole.reset();
      contents_.synced_end = record.offset;
    }
    take_in(record);
  }
  contents_.journal_end = journal.end();
  return hole;
}

void CaptureReader::note_damage(Damage damage) {
  ++contents_.damage_count;
  contents_.damaged_bytes += damage.bytes;
  if (contents_.damages.size() < Contents::kDamagesListed) contents_.damages.push_back(std::move(damage));
}

void CaptureReader::take_in(const Record& record) {
  contents_.next_sequence = record.sequence + 1;
  if (!record.chained) {
    contents_.chain_whole = false;
    if (!contents_.chain_break) contents_.chain_break = record.offset;
  }
  contents_.head = record.digest;
  const bool after_closed = std::exchange(contents_.closed, record.type == RecordType::closed);
  switch (record.type) {
    case RecordType::unit: take_in_unit(record); break;
    case RecordType::sealed: {
      const json::Value payload(record.payload);
      const auto pass = json::Reader(payload, "sealed").number("pass", 1, UnitIndex::kMaxPass);
      auto& sealed = contents_.sealed_passes;
      if (!pass) note_damage({record.offset, record.bytes, pass.error().what()});
      else if (std::find(sealed.begin(), sealed.end(), *pass) == sealed.end()) sealed.push_back(static_cast<std::uint32_t>(*pass));
      break;
    }
    case RecordType::dropped: {
      const json::Value* units = record.payload.if_contains("units");
      if (!units || !units->is_array()) {
        note_damage({record.offset, record.bytes, "a record of dropped units lists none"});
        break;
      }
      for (const json::Value& entry : units->get_array()) {
        const auto unit = unit_from(entry, head_.geometry);
        if (!unit || !contents_.units.has(*unit)) continue;
        contents_.units.remove(*unit);
        ++contents_.dropped_units;
      }
      break;
    }
    case RecordType::note: take_in_note(record); break;
    case RecordType::opened: take_in_opened(record, after_closed); break;
    case RecordType::synced:
    case RecordType::closed: break;
  }
}

void CaptureReader::take_in_note(const Record& record) {
  const json::Value payload(record.payload);
  json::Reader reader(payload, "note");
  const auto event = reader.text_or("event", ""), text = reader.text_or("text", "");
  if (!event || !text || *event != kBoardCheckEvent) return;
  auto& quoted = contents_.board_checks;
  if (quoted.size() < Contents::kBoardChecksListed &&
      std::find(quoted.begin(), quoted.end(), *text) == quoted.end())
    quoted.push_back(*text);
}

void CaptureReader::take_in_opened(const Record& record, bool after_closed) {
  const json::Value* const found = record.payload.if_contains("unnamed_bytes");
  if (!found) return;
  const auto unnamed = unnamed_from(*found);
  if (!unnamed) return note_damage({record.offset, record.bytes, unnamed.error().what()});
  if (tells_of_a_lost_end(*unnamed, after_closed)) contents_.end_was_lost = true;
  take_in_unnamed(*unnamed);
}

bool CaptureReader::tells_of_a_lost_end(std::span<const UnnamedBytes> unnamed, bool closed) const {
  return tell_of_a_lost_end(unnamed, {.version = head_.version,
                                      .block_bytes = head_.geometry.block_raw_bytes(),
                                      .closed = closed,
                                      .whole = contents_.chain_whole && contents_.damage_count == 0,
                                      .sealed_passes = contents_.sealed_passes});
}

void CaptureReader::take_in_unnamed(std::span<const UnnamedBytes> unnamed) {
  auto& ends = contents_.pass_ends;
  for (const UnnamedBytes& found : unnamed) {
    if (ends.size() < found.pass) ends.resize(found.pass);
    ends[found.pass - 1] = std::max(ends[found.pass - 1], found.from + found.bytes);
  }
}

// A record whose checksum is right can still say what cannot be: such a one is damage, and the rest is still read.
void CaptureReader::take_in_unit(const Record& record) {
  const auto unit = unit_record_from(record.payload, head_.geometry);
  if (!unit) return note_damage({record.offset, record.bytes, unit.error().what()});
  if (!contents_.units.contains(unit->unit)) return note_damage({record.offset, record.bytes, "it names a unit outside the chip"});
  if (!contents_.units.put(unit->unit, record.offset))
    return note_damage({record.offset, record.bytes, "units lie in more places than any capture of ours has"});
  auto& ends = contents_.pass_ends;
  if (ends.size() < unit->unit.pass) ends.resize(unit->unit.pass);
  std::uint64_t& end = ends[unit->unit.pass - 1];
  end = std::max(end, unit->facts.file_offset + unit->facts.stored_bytes);
  if (unit->unit.pass > 1) contents_.later_stored_bytes += unit->facts.stored_bytes;
}

Result<void> CaptureReader::for_each_record(const std::function<Result<void>(const Record&)>& visit) {
  JournalReader journal(*journal_, journal_size_);
  for (;;) {
    const auto next = journal.next();
    if (!next) return failure(next.error());
    if (!*next) return {};
    if (auto visited = visit(**next); !visited) return visited;
  }
}

Result<files::File*> CaptureReader::pass_file(std::uint32_t pass) {
  if (pass_files_.size() < pass) pass_files_.resize(pass);
  auto& file = pass_files_[pass - 1];
  if (!file) {
    auto opened = system_->open_read(files::join(folder_, pass_name(pass)));
    if (!opened) return failure(without_pass_file(pass, opened.error()));
    file = std::move(*opened);
  }
  return file.get();
}

Result<UnitFacts> CaptureReader::facts(UnitAddress unit) {
  const auto offset = units().record_of(unit);
  if (!offset) return failure(ErrorCode::not_found, "{} is not in the capture", describe(unit));
  const auto record = record_at(*journal_, journal_size_, *offset);
  if (!record) return failure(record.error());
  auto parsed = unit_record_from(record->payload, head_.geometry);
  if (!parsed) return failure(parsed.error());
  return std::move(parsed->facts);
}

namespace {

Result<void> read_exactly(files::File& file, std::uint64_t offset, MutableByteSpan out) {
  const auto got = file.read_at(offset, out);
  if (!got) return failure(got.error());
  if (*got != out.size()) return failure(ErrorCode::file_damaged, "the file ends {} bytes early", out.size() - *got);
  return {};
}

}  // namespace

std::vector<PageStatus> page_status(const UnitFacts& facts, std::uint32_t pages_per_block) {
  std::vector<PageStatus> status(pages_per_block, PageStatus::read);
  for (const auto& [run, what] : facts.exceptions) std::fill_n(status.begin() + run.first, run.count, what);
  return status;
}

// Unchecked on purpose: the hash of the later unit tells whether the difference was undone rightly, even where the pass-1
// unit itself was damaged before the difference was made.
Result<void> CaptureReader::read_reference(UnitAddress unit, const UnitFacts& reference, std::uint64_t offset, MutableByteSpan out) {
  const auto file = pass_file(unit.pass);
  if (!file) return failure(file.error());
  const auto got = read_exactly(**file, reference.file_offset + offset, out);
  return got ? got : failure(Error(got.error()).during("the bytes of pass 1 that it is a difference to"));
}

Result<void> CaptureReader::read_stored(UnitAddress unit, const UnitFacts& unit_facts, MutableByteSpan out) {
  const auto file = pass_file(unit.pass);
  return file ? read_exactly(**file, unit_facts.file_offset, out) : failure(file.error());
}

Result<void> CaptureReader::fetch(UnitAddress unit, const UnitFacts& unit_facts, ByteSpan pass_1, MutableByteSpan out) {
  const auto read = [&]() -> Result<void> {
    const auto file = pass_file(unit.pass);
    if (!file) return failure(file.error());
    if (!unit_facts.is_difference()) return read_stored(unit, unit_facts, out);
    const UnitCodec::ReadAt in_pass = [&](std::uint64_t at, MutableByteSpan piece) {
      return read_exactly(**file, unit_facts.file_offset + at, piece);
    };
    const UnitCodec::Stored stored{.codec = unit_facts.codec, .bytes = unit_facts.stored_bytes, .read = in_pass};
    if (!pass_1.empty()) return codec_->unpack(stored, pass_1, out);
    const UnitAddress first{unit.place, unit.block, 1};
    const auto reference = facts(first);
    if (!reference) return failure(Error(reference.error()).during("it is a difference to pass 1"));
    const auto in_file = [&](std::uint64_t at, MutableByteSpan piece) { return read_reference(first, *reference, at, piece); };
    return codec_->unpack(stored, in_file, out);
  };
  const auto got = read();
  return got ? got : failure(not_read(unit, got.error()));
}

Error CaptureReader::not_read(UnitAddress unit, const Error& why) const {
  Error error = Error(why).during("reading {}", describe(unit)).at(files::join(folder_, pass_name(unit.pass)));
  if (error.code() != ErrorCode::file_damaged && error.code() != ErrorCode::not_found) return error;
  return std::move(error).advising(
      fmt::format("steadycell capture verify {} tells all that is damaged or missing, and how to have it again", printable(folder_)));
}

// In pieces: whoever asks holds a block already.
Result<Digest> CaptureReader::stored_digest(UnitAddress unit, const UnitFacts& unit_facts) {
  const auto file = pass_file(unit.pass);
  if (!file) return failure(file.error());
  Sha256 hash;
  Bytes piece(UnitCodec::kPieceBytes);
  for (std::uint64_t at = 0; at < unit_facts.stored_bytes; at += piece.size()) {
    piece.resize(static_cast<std::size_t>(std::min<std::uint64_t>(piece.size(), unit_facts.stored_bytes - at)));
    if (const auto got = read_exactly(**file, unit_facts.file_offset + at, piece); !got) return failure(got.error());
    hash.update(piece);
  }
  return hash.finish();
}

std::optional<Error> CaptureReader::blame_on_pass_1(UnitAddress unit, const UnitFacts& unit_facts, const Error& error) {
  if (!unit_facts.is_difference() || (error.code() != ErrorCode::file_damaged && error.code() != ErrorCode::not_found)) return std::nullopt;
  if (!stored_digest(unit, unit_facts)) return std::nullopt;
  const UnitAddress first{unit.place, unit.block, 1};
  if (!units().has(first))
    return not_read(unit, Error(ErrorCode::not_found, "kept as the difference to pass 1, of which the journal has no record"));
  const auto reference = facts(first);
  if (!reference) return std::nullopt;
  const auto digest = stored_digest(first, *reference);
  if (digest && *digest == reference->sha256) return std::nullopt;
  const bool missing = !digest && digest.error().code() == ErrorCode::not_found;
  const Error why(missing ? ErrorCode::not_found : ErrorCode::file_damaged,
                  fmt::format("kept as the difference to pass 1, which is {}", missing ? "missing" : "damaged"));
  return not_read(unit, why).at(files::join(folder_, pass_name(1)));
}

Result<void> CaptureReader::check(UnitAddress unit, const UnitFacts& unit_facts, const Digest& digest, std::span<PageStatus> status) const {
  if (digest != unit_facts.sha256)
    return failure(not_read(unit, Error(ErrorCode::file_damaged, "the bytes do not match the hash in the journal")));
  std::ranges::copy(page_status(unit_facts, head_.geometry.pages_per_block), status.begin());
  return {};
}

Result<void> CaptureReader::read_unit(UnitAddress unit, MutableByteSpan out, std::span<PageStatus> status) {
  assert(out.size() == head_.geometry.block_raw_bytes() && status.size() == head_.geometry.pages_per_block);
  const auto unit_facts = facts(unit);
  if (!unit_facts) return failure(unit_facts.error());
  auto got = fetch(unit, *unit_facts, {}, out);
  if (got) got = check(unit, *unit_facts, Sha256::of(out), status);
  return got ? got : failure(blame_on_pass_1(unit, *unit_facts, got.error()).value_or(got.error()));
}

namespace {

// The unit that is hashed while the next one is read; its bytes stay untouched until take(), whatever is thrown meanwhile.
class Hashed {
 public:
  explicit Hashed(Hasher& hasher) : hasher_(hasher) {}
  Hashed(const Hashed&) = delete;
  Hashed& operator=(const Hashed&) = delete;
  ~Hashed() {
    if (read_) (void)hasher_.finish();
  }
  void start(UnitRead& read, UnitFacts facts) {
    hasher_.start(read.out);
    read_ = &read;
    facts_ = std::move(facts);
  }
  // Waits; `use` gets the unit, its facts and its digest.
  template <typename Use>
  void take(const Use& use) {
    if (!read_) return;
    const Digest digest = hasher_.finish();
    use(*std::exchange(read_, nullptr), facts_, digest);
  }

 private:
  Hasher& hasher_;
  UnitRead* read_ = nullptr;
  UnitFacts facts_;
};

}  // namespace

void CaptureReader::read_units(std::span<UnitRead> units) {
  if (!hasher_) hasher_ = std::make_unique<Hasher>();
  Hashed hashed(*hasher_);
  const auto take = [&](UnitRead& read, const UnitFacts& unit_facts, Result<void> got) {
    auto blame = got ? std::nullopt : blame_on_pass_1(read.unit, unit_facts, got.error());
    read.lost_with_pass_1 = blame.has_value();
    read.got = blame ? failure(std::move(*blame)) : std::move(got);
  };
  const auto check_hashed = [&](UnitRead& read, const UnitFacts& unit_facts, const Digest& digest) {
    take(read, unit_facts, check(read.unit, unit_facts, digest, read.status));
  };
  const UnitRead* whole = nullptr;  // the last pass 1 that lies in its file as it is
  for (UnitRead& read : units) {
    assert(read.out.size() == head_.geometry.block_raw_bytes() && read.status.size() == head_.geometry.pages_per_block);
    auto unit_facts = facts(read.unit);
    const bool at_hand = whole && whole->unit.place == read.unit.place && whole->unit.block == read.unit.block;
    const ByteSpan pass_1 = at_hand ? ByteSpan(whole->out) : ByteSpan();
    if (unit_facts) take(read, *unit_facts, fetch(read.unit, *unit_facts, pass_1, read.out));
    else read.got = failure(unit_facts.error());
    if (read.got && read.unit.pass == 1 && !unit_facts->is_difference()) whole = &read;
    hashed.take(check_hashed);
    if (read.got) hashed.start(read, std::move(*unit_facts));
  }
  hashed.take(check_hashed);
}

Result<std::vector<std::uint64_t>> CaptureReader::page_reads(UnitPlace place) {
  std::vector<std::uint64_t> reads(head_.geometry.blocks);
  const auto counted = for_each_record([&](const Record& record) -> Result<void> {
    if (record.type == RecordType::unit) {
      const auto unit = unit_record_from(record.payload, head_.geometry);
      if (!unit || unit->unit.place != place) return {};
      std::uint64_t pages = head_.geometry.pages_per_block + unit->facts.circumstances.repeated_page_reads;
      for (const auto& [run, what] : unit->facts.exceptions) pages -= what == PageStatus::not_read ? run.count : 0;
      reads[unit->unit.block.index] += pages;
    } else if (record.type == RecordType::note) {
      const json::Value payload(record.payload);
      json::Reader reader(payload, "note");
      const auto event = reader.text_or("event", "");
      if (!event || *event != kPageReadsEvent) return {};
      const auto target = reader.number("target", 0, 15), lun = reader.number("lun", 0, 15);
      const auto block = reader.number("block", 0, head_.geometry.blocks - 1), pages = reader.number("page_reads", 0, 1ull << 40);
      if (target && lun && block && pages && *target == place.target && *lun == place.lun) reads[*block] += *pages;
    }
    return {};
  });
  if (!counted) return failure(counted.error());
  return reads;
}

}  // namespace steadycell::passes
