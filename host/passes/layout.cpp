#include "passes/layout.h"

#include <zstd.h>

namespace steadycell::passes {

json::Object to_json(const UnitRecord& record) {
  json::Array exceptions;
  for (const auto& [page, status] : record.facts.exceptions) exceptions.push_back(json::Array{page, static_cast<unsigned>(status)});
  return {{"target", record.unit.place.target}, {"lun", record.unit.place.lun}, {"block", record.unit.block.index},
          {"pass", record.unit.pass},           {"offset", record.facts.file_offset}, {"stored", record.facts.stored_bytes},
          {"codec", record.facts.xor_zstd ? 1 : 0}, {"sha256", to_text(record.facts.sha256)}, {"exceptions", std::move(exceptions)}};
}

Result<UnitRecord> unit_record_from(const json::Object& payload, const Geometry& geometry) {
  const json::Value value(payload);
  json::Reader reader(value, "unit");
  const auto target = reader.number("target", 0, 15), lun = reader.number("lun", 0, geometry.luns - 1);
  const auto block = reader.number("block", 0, geometry.blocks - 1), pass = reader.number("pass", 1, 255);
  const auto offset = reader.number("offset", 0, 1ull << 62), stored = reader.number("stored", 0, geometry.block_raw_bytes());
  const auto codec = reader.number("codec", 0, 1);
  const auto digest_text = reader.text("sha256");
  const auto exceptions = reader.array("exceptions");
  for (const auto* number : {&target, &lun, &block, &pass, &offset, &stored, &codec})
    if (!*number) return failure(number->error());
  if (!digest_text) return failure(digest_text.error());
  if (!exceptions) return failure(exceptions.error());
  const auto digest = parse_digest(*digest_text);
  if (!digest) return failure(ErrorCode::file_damaged, "unit record: \"sha256\" is no digest");

  UnitRecord record;
  record.unit = {{static_cast<std::uint8_t>(*target), static_cast<std::uint8_t>(*lun)}, {static_cast<std::uint32_t>(*block)},
                 static_cast<std::uint32_t>(*pass)};
  record.facts.file_offset = *offset;
  record.facts.stored_bytes = *stored;
  record.facts.xor_zstd = *codec == 1;
  record.facts.sha256 = *digest;
  for (const json::Value& entry : **exceptions) {
    const json::Array* pair = entry.if_array();
    if (!pair || pair->size() != 2) return failure(ErrorCode::file_damaged, "unit record: \"exceptions\" should list pairs");
    boost::system::error_code code;
    const auto page = (*pair)[0].to_number<std::uint32_t>(code);
    const auto status = code ? 0u : (*pair)[1].to_number<std::uint32_t>(code);
    if (code || page >= geometry.pages_per_block || status < 1 || status > 3)
      return failure(ErrorCode::file_damaged, "unit record: an exception is outside the block");
    record.facts.exceptions.emplace_back(page, static_cast<PageStatus>(status));
  }
  return record;
}

Result<void> unpack(ByteSpan stored, bool xor_zstd, ByteSpan reference, MutableByteSpan out) {
  if (!xor_zstd) {
    if (stored.size() != out.size()) return failure(ErrorCode::file_damaged, "a raw unit has {} bytes, expected {}", stored.size(), out.size());
    std::copy(stored.begin(), stored.end(), out.begin());
    return {};
  }
  // One-shot into a buffer of the unit's size: whatever the frame claims, no more than that is written.
  const std::size_t got = ZSTD_decompress(out.data(), out.size(), stored.data(), stored.size());
  if (ZSTD_isError(got) || got != out.size())
    return failure(ErrorCode::file_damaged, "a compressed unit cannot be unpacked: {}", ZSTD_isError(got) ? ZSTD_getErrorName(got) : "too short");
  for (std::size_t i = 0; i < out.size(); ++i) out[i] = static_cast<std::uint8_t>(out[i] ^ reference[i]);
  return {};
}

bool pack(ByteSpan raw, ByteSpan reference, Bytes& difference, Bytes& packed) {
  difference.resize(raw.size());
  for (std::size_t i = 0; i < raw.size(); ++i) difference[i] = static_cast<std::uint8_t>(raw[i] ^ reference[i]);
  packed.resize(ZSTD_compressBound(raw.size()));
  const std::size_t size = ZSTD_compress(packed.data(), packed.size(), difference.data(), difference.size(), 1);
  if (ZSTD_isError(size) || size >= raw.size()) return false;
  packed.resize(size);
  return true;
}

}  // namespace steadycell::passes
