#include "passes/journal.h"

#include <algorithm>
#include <array>
#include <cassert>

#include "steadycell/protocol.h"

namespace steadycell::passes {
namespace {

constexpr std::array<std::uint8_t, 4> kMagic = {'S', 'C', 'J', '1'};
constexpr std::uint16_t kLastType = 5;

std::uint32_t crc32c(ByteSpan bytes) { return scp_crc32c(0, bytes.data(), bytes.size()); }

}  // namespace

Result<std::optional<Record>> JournalReader::try_at(std::uint64_t offset) {
  std::array<std::uint8_t, kRecordHeaderBytes> header{};
  const auto got = file_->read_at(offset, header);
  if (!got) return failure(got.error());
  if (*got < header.size() || !std::equal(kMagic.begin(), kMagic.end(), header.begin())) return std::nullopt;
  const std::uint64_t length = load_u32(ByteSpan(header).subspan(4));
  const std::uint16_t type = load_u16(ByteSpan(header).subspan(8));
  const std::uint64_t whole = kRecordHeaderBytes + length + kRecordTrailerBytes;
  if (length > kMaxPayloadBytes || type < 1 || type > kLastType || offset + whole > size_) return std::nullopt;

  Bytes bytes(whole);
  const auto all = file_->read_at(offset, bytes);
  if (!all) return failure(all.error());
  if (*all < whole || load_u32(ByteSpan(bytes).subspan(whole - 4)) != crc32c(ByteSpan(bytes).first(whole - 4))) return std::nullopt;
  const auto payload = json::parse(as_text(ByteSpan(bytes).subspan(kRecordHeaderBytes, length)));
  if (!payload || !payload->is_object()) return std::nullopt;

  Record record;
  record.type = static_cast<RecordType>(type);
  record.sequence = load_u64(ByteSpan(header).subspan(12));
  record.offset = offset;
  record.bytes = whole;
  record.payload = payload->get_object();
  record.digest = Sha256::of(bytes);
  return record;
}

Result<std::optional<std::uint64_t>> JournalReader::find_magic(std::uint64_t from) {
  std::array<std::uint8_t, 4096> window{};
  while (from < size_) {
    const auto got = file_->read_at(from, window);
    if (!got) return failure(got.error());
    if (*got < kMagic.size()) break;
    const auto found = std::search(window.begin(), window.begin() + static_cast<std::ptrdiff_t>(*got), kMagic.begin(), kMagic.end());
    if (found != window.begin() + static_cast<std::ptrdiff_t>(*got)) return from + static_cast<std::uint64_t>(found - window.begin());
    from += *got - (kMagic.size() - 1);
  }
  return std::nullopt;
}

Result<std::optional<Record>> JournalReader::next() {
  std::uint64_t at = position_;
  while (at < size_) {
    auto record = try_at(at);
    if (!record) return failure(record.error());
    if (*record) {
      if (at > position_) damages_.push_back({position_, at - position_});
      const json::Value* previous = (*record)->payload.if_contains("previous");
      (*record)->chained = previous && previous->is_string() && std::string_view(previous->get_string()) == to_text(previous_);
      previous_ = (*record)->digest;
      position_ = end_ = at + (*record)->bytes;
      return record;
    }
    const auto magic = find_magic(at + 1);
    if (!magic) return failure(magic.error());
    if (!*magic) break;
    at = **magic;
  }
  return std::nullopt;
}

Result<Record> JournalReader::at(std::uint64_t offset) {
  auto record = try_at(offset);
  if (!record) return failure(record.error());
  if (!*record) return failure(ErrorCode::file_damaged, "journal: the record at byte {} can no longer be read", offset);
  return std::move(**record);
}

Result<std::uint64_t> JournalWriter::append(RecordType type, json::Object payload) {
  payload["previous"] = to_text(previous_);
  const std::string text = json::text_of(payload);
  assert(text.size() <= kMaxPayloadBytes);
  Bytes record(kRecordHeaderBytes + text.size() + kRecordTrailerBytes);
  const MutableByteSpan at(record);
  std::copy(kMagic.begin(), kMagic.end(), record.begin());
  store_u32(at.subspan(4), static_cast<std::uint32_t>(text.size()));
  store_u16(at.subspan(8), static_cast<std::uint16_t>(type));
  store_u16(at.subspan(10), 0);
  store_u64(at.subspan(12), sequence_);
  std::copy(text.begin(), text.end(), record.begin() + kRecordHeaderBytes);
  store_u32(at.subspan(record.size() - 4), crc32c(ByteSpan(record).first(record.size() - 4)));
  if (const auto written = file_->write_at(end_, record); !written) return failure(written.error());
  const std::uint64_t offset = end_;
  end_ += record.size();
  ++sequence_;
  previous_ = Sha256::of(record);
  return offset;
}

}  // namespace steadycell::passes
