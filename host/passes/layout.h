#pragma once
#include <string>

#include "passes/capture.h"

// Names and record payloads that reader and writer of a capture share. Not for other rooms.
namespace steadycell::passes {

inline constexpr std::string_view kHeadName = "capture.json";
inline constexpr std::string_view kJournalName = "journal";
inline constexpr std::string_view kLockName = "lock";
inline constexpr std::uint64_t kMaxHeadBytes = 16 << 20;

inline std::string pass_name(std::uint32_t pass) { return fmt::format("pass-{:04}.dat", pass); }

struct UnitRecord {
  UnitAddress unit;
  UnitFacts facts;
};
json::Object to_json(const UnitRecord& record);
// Refuses what no writer of ours makes: sizes beyond the geometry, pages outside the block.
Result<UnitRecord> unit_record_from(const json::Object& payload, const Geometry& geometry);

// Undoes the storage of a unit. `reference` is the raw pass-1 unit for xor_zstd, else empty. Refuses frames that would
// grow beyond the unit.
Result<void> unpack(ByteSpan stored, bool xor_zstd, ByteSpan reference, MutableByteSpan out);
// XOR against `reference`, zstd level 1, into `packed`; false when that saves nothing.
bool pack(ByteSpan raw, ByteSpan reference, Bytes& difference, Bytes& packed);

}  // namespace steadycell::passes
