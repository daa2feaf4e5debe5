#include "passes/journal.h"

#include <algorithm>
#include <array>

#include "passes/layout.h"

namespace steadycell::passes {
namespace {

constexpr std::array<std::uint8_t, 4> kMagic = {'S', 'C', 'J', '1'};
constexpr std::size_t kWindowBytes = 64 << 10;
constexpr std::uint64_t kSearchEffort = 16;  // times the journal's size
constexpr std::uint64_t kLeastSearch = 16 << 20;

// A good record at `offset`, or why there is none. `cost` grows by the bytes that were looked at.
struct Attempt {
  std::optional<Record> record;
  std::string why;
};
Result<Attempt> try_at(files::Window& window, std::uint64_t size, std::uint64_t offset, std::uint64_t& cost) {
  const auto header = window.at(offset, kRecordHeaderBytes);
  if (!header) return failure(header.error());
  cost += header->size();
  if (header->size() < kRecordHeaderBytes) return Attempt{{}, "the file ends in a record's header"};
  if (!std::equal(kMagic.begin(), kMagic.end(), header->begin())) return Attempt{{}, "no record begins there"};
  const std::uint64_t length = load_u32(header->subspan(4));
  Record record;
  record.type = static_cast<RecordType>(load_u16(header->subspan(8)));
  record.sequence = load_u64(header->subspan(12));
  record.offset = offset;
  record.bytes = kRecordHeaderBytes + length + kRecordTrailerBytes;
  if (length > kMaxPayloadBytes)
    return Attempt{{}, fmt::format("a record claims {} bytes, at most {} are possible", length, kMaxPayloadBytes)};
  if (record.bytes > size - offset) return Attempt{{}, fmt::format("a record of {} bytes reaches beyond the file", record.bytes)};

  const auto whole = window.at(offset, static_cast<std::size_t>(record.bytes));
  if (!whole) return failure(whole.error());
  cost += whole->size();
  if (whole->size() < record.bytes) return Attempt{{}, "the file ends in a record"};
  const std::uint32_t stored = load_u32(whole->last(kRecordTrailerBytes)),
                      computed = crc32c(whole->first(whole->size() - kRecordTrailerBytes));
  if (stored != computed) return Attempt{{}, fmt::format("record checksum {:08x}, expected {:08x}", stored, computed)};
  auto payload = json::parse(as_text(whole->subspan(kRecordHeaderBytes, static_cast<std::size_t>(length))));
  if (!payload) return Attempt{{}, "a record's payload: " + payload.error().what()};
  if (!payload->is_object()) return Attempt{{}, "a record's payload is no JSON object"};
  record.payload = std::move(payload->get_object());
  record.digest = Sha256::of(*whole);
  return Attempt{std::move(record), {}};
}

bool follows(const Record& record, const Digest& previous) {
  const json::Value* named = record.payload.if_contains("previous");
  return named && named->is_string() && std::string_view(named->get_string()) == to_text(previous);
}

}  // namespace

JournalReader::JournalReader(files::File& file, std::uint64_t size, std::uint64_t start, const Digest& previous)
    : window_(file, kWindowBytes),
      size_(size),
      position_(start),
      search_left_(std::max(kLeastSearch, size * kSearchEffort)),
      previous_(previous) {}

Result<std::optional<std::uint64_t>> JournalReader::find_magic(std::uint64_t from) {
  while (from < size_) {
    const auto bytes = window_.at(from, 4096);
    if (!bytes) return failure(bytes.error());
    if (bytes->size() < kMagic.size()) break;
    const auto found = std::search(bytes->begin(), bytes->end(), kMagic.begin(), kMagic.end());
    if (found != bytes->end()) return from + static_cast<std::uint64_t>(found - bytes->begin());
    from += bytes->size() - (kMagic.size() - 1);
  }
  return std::nullopt;
}

Result<std::optional<Record>> JournalReader::next() {
  damage_.reset();
  std::string why;
  for (std::uint64_t at = position_; at < size_;) {
    std::uint64_t cost = 0;
    auto tried = try_at(window_, size_, at, cost);
    if (!tried) return failure(tried.error());
    if (tried->record) {
      Record& record = *tried->record;
      if (at > position_) damage_ = Damage{position_, at - position_, std::move(why)};
      record.chained = follows(record, previous_);
      previous_ = record.digest;
      position_ = at + record.bytes;
      return std::move(tried->record);
    }
    if (why.empty()) why = std::move(tried->why);
    if (cost >= search_left_) break;
    search_left_ -= cost;
    const auto magic = find_magic(at + 1);
    if (!magic) return failure(magic.error());
    if (!*magic) break;
    at = **magic;
  }
  return std::nullopt;
}

Result<Record> record_at(files::File& file, std::uint64_t size, std::uint64_t offset) {
  files::Window window(file, 1024);
  std::uint64_t cost = 0;
  auto tried = try_at(window, size, offset, cost);
  if (!tried) return failure(tried.error());
  if (!tried->record) return failure(ErrorCode::file_damaged, "journal byte {}: {}", offset, tried->why);
  return std::move(*tried->record);
}

Result<std::uint64_t> JournalWriter::append(RecordType type, json::Object payload) {
  payload["previous"] = to_text(previous_);
  const std::string text = json::text_of(payload);
  if (text.size() > kMaxPayloadBytes)
    return failure(ErrorCode::internal, "a journal record of {} bytes, at most {} are possible", text.size(), kMaxPayloadBytes);
  Bytes record(kRecordHeaderBytes + text.size() + kRecordTrailerBytes);
  const MutableByteSpan at(record);
  std::copy(kMagic.begin(), kMagic.end(), record.begin());
  store_u32(at.subspan(4), static_cast<std::uint32_t>(text.size()));
  store_u16(at.subspan(8), static_cast<std::uint16_t>(type));
  store_u16(at.subspan(10), 0);
  store_u64(at.subspan(12), sequence_);
  std::copy(text.begin(), text.end(), record.begin() + kRecordHeaderBytes);
  store_u32(at.subspan(record.size() - 4), crc32c(ByteSpan(record).first(record.size() - 4)));
  if (record.size() > kMaxJournalBytes - end_)
    return failure(Error(ErrorCode::storage_failed, "the journal is as long as it may be").advising("go on in a new capture"));
  if (const auto written = file_->write_at(end_, record); !written) {
    (void)file_->truncate(end_);  // half a record is no harm: the next one overwrites it, and readers take it for a torn tail
    return failure(written.error());
  }
  const std::uint64_t offset = end_;
  end_ += record.size();
  ++sequence_;
  previous_ = Sha256::of(record);
  return offset;
}

}  // namespace steadycell::passes
