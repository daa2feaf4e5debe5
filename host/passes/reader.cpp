#include <algorithm>
#include <cassert>

#include "files/atomic.h"
#include "passes/capture.h"
#include "passes/layout.h"

namespace steadycell::passes {

Result<CaptureReader> CaptureReader::open(files::FileSystem& system, const std::string& folder) {
  CaptureReader reader(system, folder);
  const auto text = files::read_text(system, files::join(folder, std::string(kHeadName)), kMaxHeadBytes);
  if (!text) return failure(Error(text.error()).during("opening capture {}", folder));
  auto head = parse_head(*text);
  if (!head) return failure(Error(head.error()).during("opening capture {}", folder).at(std::string(kHeadName)));
  reader.head_ = std::move(*head);
  if (const auto scanned = reader.scan(); !scanned) return failure(Error(scanned.error()).during("opening capture {}", folder));
  return reader;
}

Result<void> CaptureReader::scan() {
  auto file = system_->open_read(files::join(folder_, std::string(kJournalName)));
  if (!file) return failure(file.error());
  const auto size = (*file)->size();
  if (!size) return failure(size.error());
  journal_ = std::move(*file);
  journal_size_ = *size;
  contents_ = Contents{};
  contents_.units = UnitIndex(head_.geometry, head_.targets.size());

  JournalReader journal(*journal_, journal_size_);
  for (;;) {
    const auto next = journal.next();
    if (!next) return failure(next.error());
    if (!*next) break;
    const Record& record = **next;
    contents_.next_sequence = record.sequence + 1;
    contents_.chain_whole = contents_.chain_whole && record.chained;
    contents_.head = record.digest;
    if (record.type == RecordType::unit) {
      const auto unit = unit_record_from(record.payload, head_.geometry);
      if (!unit) return failure(Error(unit.error()).at(fmt::format("journal byte {}", record.offset)));
      if (!contents_.units.contains(unit->unit))
        return failure(Error(ErrorCode::file_damaged, "journal names a unit outside the chip").at(fmt::format("journal byte {}", record.offset)));
      contents_.units.put(unit->unit, record.offset);
      contents_.unsynced.push_back(unit->unit);
    } else if (record.type == RecordType::synced) {
      contents_.unsynced.clear();
    } else if (record.type == RecordType::sealed) {
      const json::Value* pass = record.payload.if_contains("pass");
      boost::system::error_code code;
      const auto number = pass ? pass->to_number<std::uint32_t>(code) : 0;
      if (pass && !code) contents_.sealed_passes.push_back(number);
    }
  }
  contents_.damages = journal.damages();
  contents_.journal_end = journal.end();
  contents_.torn_bytes = journal_size_ - journal.end();
  return {};
}

Result<files::File*> CaptureReader::pass_file(std::uint32_t pass) {
  if (pass_files_.size() < pass) pass_files_.resize(pass);
  auto& file = pass_files_[pass - 1];
  if (!file) {
    auto opened = system_->open_read(files::join(folder_, pass_name(pass)));
    if (!opened) return failure(opened.error());
    file = std::move(*opened);
  }
  return file.get();
}

Result<UnitFacts> CaptureReader::facts(UnitAddress unit) {
  const auto offset = units().record_of(unit);
  if (!offset)
    return failure(ErrorCode::not_found, "block {} of chip enable {}, LUN {} is not in pass {}", unit.block.index, unit.place.target + 1,
                   unit.place.lun, unit.pass);
  JournalReader journal(*journal_, journal_size_);
  const auto record = journal.at(*offset);
  if (!record) return failure(record.error());
  auto parsed = unit_record_from(record->payload, head_.geometry);
  if (!parsed) return failure(parsed.error());
  return std::move(parsed->facts);
}

Result<void> CaptureReader::read_unit(UnitAddress unit, MutableByteSpan out, std::span<PageStatus> status) {
  assert(out.size() == head_.geometry.block_raw_bytes() && status.size() == head_.geometry.pages_per_block);
  const auto unit_facts = facts(unit);
  if (!unit_facts) return failure(unit_facts.error());
  const auto during = [&](Error error) {
    return failure(std::move(error).during("reading block {} of pass {}", unit.block.index, unit.pass).at(pass_name(unit.pass)));
  };
  if (unit_facts->xor_zstd) {
    const UnitAddress first{unit.place, unit.block, 1};
    if (unit.pass == 1) return during(Error(ErrorCode::file_damaged, "pass 1 claims to be a difference to itself"));
    if (reference_unit_ != first) {
      reference_.resize(out.size());
      std::vector<PageStatus> ignored(status.size());
      reference_unit_.reset();
      if (const auto got = read_unit(first, reference_, ignored); !got) return got;
      reference_unit_ = first;
    }
  }
  const auto file = pass_file(unit.pass);
  if (!file) return during(file.error());
  stored_.resize(unit_facts->stored_bytes);
  const auto got = (*file)->read_at(unit_facts->file_offset, stored_);
  if (!got) return during(got.error());
  if (*got != stored_.size()) return during(Error(ErrorCode::file_damaged, fmt::format("the file ends {} bytes early", stored_.size() - *got)));
  if (const auto unpacked = unpack(stored_, unit_facts->xor_zstd, reference_, out); !unpacked) return during(unpacked.error());
  if (Sha256::of(out) != unit_facts->sha256) return during(Error(ErrorCode::file_damaged, "the bytes do not match the hash in the journal"));
  std::fill(status.begin(), status.end(), PageStatus::read);
  for (const auto& [page, what] : unit_facts->exceptions) status[page] = what;
  return {};
}

}  // namespace steadycell::passes
