#include "passes/layout.h"

#include <algorithm>
#include <limits>

#include "steadycell/protocol.h"

namespace steadycell::passes {
namespace {

constexpr std::uint64_t kMaxRepeats = 1ull << 40;

// A list of numbers, each below `limit`: [first, count, ...].
std::optional<std::vector<std::uint32_t>> numbers(const json::Value& value, std::size_t count, std::uint32_t limit) {
  const json::Array* array = value.if_array();
  if (!array || array->size() != count) return std::nullopt;
  std::vector<std::uint32_t> found;
  for (const json::Value& entry : *array) {
    boost::system::error_code code;
    const auto number = entry.to_number<std::uint32_t>(code);
    if (code || number > limit) return std::nullopt;
    found.push_back(number);
  }
  return found;
}

bool run_fits(const PageRun& run, std::uint32_t& next, const Geometry& geometry) {
  const bool fits =
      run.count > 0 && run.first >= next && run.first < geometry.pages_per_block && run.count <= geometry.pages_per_block - run.first;
  next = run.first + run.count;
  return fits;
}

tl::unexpected<Error> damaged(const Error& error) { return failure(ErrorCode::file_damaged, "unit record: {}", error.what()); }

}  // namespace

Digest difference_digest(const Digest& pass_1, ByteSpan stored) {
  Sha256 hash;
  hash.update(pass_1);
  hash.update(stored);
  return hash.finish();
}

std::uint32_t crc32c(ByteSpan bytes, std::uint32_t before) { return scp_crc32c(before, bytes.data(), bytes.size()); }

Error without_pass_file(std::uint32_t pass, const Error& error) {
  switch (error.code()) {
    case ErrorCode::not_found: return {ErrorCode::not_found, fmt::format("{} is not there", pass_name(pass))};
    case ErrorCode::bad_input_file: return {ErrorCode::not_found, fmt::format("{} is no plain file", pass_name(pass))};
    case ErrorCode::bad_name: return {ErrorCode::not_found, fmt::format("{} is a symbolic link, which is not followed", pass_name(pass))};
    default: return error;
  }
}

std::string describe(UnitAddress unit) {
  return fmt::format("block {} of target {}, LUN {}, pass {}", unit.block.index, unit.place.target, unit.place.lun, unit.pass);
}

std::uint64_t pages_not_read(std::span<const PageStatus> status) {
  return status.size() - static_cast<std::uint64_t>(std::count(status.begin(), status.end(), PageStatus::read));
}

json::Object to_json(UnitAddress unit) {
  return {{"target", unit.place.target}, {"lun", unit.place.lun}, {"block", unit.block.index}, {"pass", unit.pass}};
}

Result<UnitAddress> unit_from(const json::Value& value, const Geometry& geometry) {
  json::Reader reader(value, "unit");
  const auto target = reader.number("target", 0, 15), lun = reader.number("lun", 0, geometry.luns - 1);
  const auto block = reader.number("block", 0, geometry.blocks - 1), pass = reader.number("pass", 1, UnitIndex::kMaxPass);
  for (const auto* number : {&target, &lun, &block, &pass})
    if (!*number) return damaged(number->error());
  return UnitAddress{{static_cast<std::uint8_t>(*target), static_cast<std::uint8_t>(*lun)}, {static_cast<std::uint32_t>(*block)},
                     static_cast<std::uint32_t>(*pass)};
}

json::Object to_json(const UnitRecord& record) {
  json::Object object = to_json(record.unit);
  object["offset"] = record.facts.file_offset;
  object["stored"] = record.facts.stored_bytes;
  object["codec"] = static_cast<unsigned>(record.facts.codec);
  object["sha256"] = to_text(record.facts.sha256);
  if (record.facts.difference_sha256) object["difference_sha256"] = to_text(*record.facts.difference_sha256);
  if (record.facts.crc32c) object["crc32c"] = *record.facts.crc32c;
  json::Array exceptions;
  for (const auto& [run, status] : record.facts.exceptions)
    exceptions.push_back(json::Array{run.first, run.count, static_cast<unsigned>(status)});
  object["exceptions"] = std::move(exceptions);
  const Circumstances& circumstances = record.facts.circumstances;
  if (circumstances.repeated_page_reads > 0) object["repeated_page_reads"] = circumstances.repeated_page_reads;
  if (!circumstances.busy_not_seen.empty()) {
    json::Array runs;
    for (const PageRun& run : circumstances.busy_not_seen) runs.push_back(json::Array{run.first, run.count});
    object["busy_not_seen"] = std::move(runs);
  }
  return object;
}

Result<UnitRecord> unit_record_from(const json::Object& payload, const Geometry& geometry) {
  const json::Value value(payload);
  const auto unit = unit_from(value, geometry);
  if (!unit) return failure(unit.error());
  json::Reader reader(value, "unit");
  const auto offset = reader.number("offset", 0, 1ull << 62), stored = reader.number("stored", 0, geometry.block_raw_bytes());
  const auto codec = reader.number("codec", 0, 2), repeats = reader.number_or("repeated_page_reads", 0, kMaxRepeats, 0);
  const auto digest_text = reader.text("sha256"), difference_text = reader.text_or("difference_sha256", "");
  const auto checksum = reader.number_or("crc32c", 0, std::numeric_limits<std::uint32_t>::max(), 0);
  const auto exceptions = reader.array("exceptions"), busy = reader.array_or_null("busy_not_seen");
  for (const auto* number : {&offset, &stored, &codec, &repeats, &checksum})
    if (!*number) return damaged(number->error());
  for (const auto* text : {&digest_text, &difference_text})
    if (!*text) return damaged(text->error());
  if (!exceptions) return damaged(exceptions.error());
  if (!busy) return damaged(busy.error());
  const auto digest = parse_digest(*digest_text);
  if (!digest) return failure(ErrorCode::file_damaged, "unit record: \"sha256\" is no digest");
  const auto difference = parse_digest(*difference_text);
  if (!difference && !difference_text->empty()) return failure(ErrorCode::file_damaged, "unit record: \"difference_sha256\" is no digest");
  if (*codec > 0 && unit->pass == 1) return failure(ErrorCode::file_damaged, "unit record: pass 1 claims to be a difference to itself");
  if (*codec == 0 && *stored != geometry.block_raw_bytes())
    return failure(ErrorCode::file_damaged, "unit record: {} bytes stored as they are, a block has {}", *stored,
                   geometry.block_raw_bytes());

  UnitRecord record;
  record.unit = *unit;
  record.facts.file_offset = *offset;
  record.facts.stored_bytes = *stored;
  record.facts.codec = static_cast<Codec>(*codec);
  record.facts.sha256 = *digest;
  if (record.facts.is_difference()) record.facts.difference_sha256 = difference;
  if (payload.contains("crc32c")) record.facts.crc32c = static_cast<std::uint32_t>(*checksum);
  record.facts.circumstances.repeated_page_reads = *repeats;
  std::uint32_t next = 0;
  for (const json::Value& entry : **exceptions) {
    const auto run = numbers(entry, 3, geometry.pages_per_block);
    if (!run || (*run)[2] < 1 || (*run)[2] > 3 || !run_fits({(*run)[0], (*run)[1]}, next, geometry))
      return failure(ErrorCode::file_damaged,
                     "unit record: \"exceptions\" should list [first page, pages, status] inside the block, ascending");
    record.facts.exceptions.emplace_back(PageRun{(*run)[0], (*run)[1]}, static_cast<PageStatus>((*run)[2]));
  }
  next = 0;
  if (*busy)
    for (const json::Value& entry : **busy) {
      const auto run = numbers(entry, 2, geometry.pages_per_block);
      if (!run || !run_fits({(*run)[0], (*run)[1]}, next, geometry))
        return failure(ErrorCode::file_damaged,
                       "unit record: \"busy_not_seen\" should list [first page, pages] inside the block, ascending");
      record.facts.circumstances.busy_not_seen.push_back({(*run)[0], (*run)[1]});
    }
  return record;
}

}  // namespace steadycell::passes
