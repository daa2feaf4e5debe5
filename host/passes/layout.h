#pragma once
#include <string>

#include "files/folder_kind.h"
#include "passes/capture.h"

// Names and record payloads that reader and writer of a capture share. Not for other rooms.
namespace steadycell::passes {

inline constexpr std::string_view kHeadName = files::kCaptureMark;
inline constexpr std::string_view kJournalName = "journal";
static_assert(kJournalName == files::kCaptureFiles[0]);
inline constexpr std::string_view kLockName = "lock";
inline constexpr std::string_view kBoardCheckEvent = "board_check";  // of a note: what was known of the fixture board
inline constexpr std::string_view kPageReadsEvent = "page_reads";  // of a note: reads of a block that became no unit
inline constexpr std::uint64_t kMaxHeadBytes = 1 << 20;

// SHA-256 of the hash of the unit of pass 1 and of what is stored as the difference to it, one behind the other. With a pass 1 that was
// read anew it does not fit.
Digest difference_digest(const Digest& pass_1, ByteSpan stored);

// CRC-32C (Castagnoli) of `bytes`, or of what had the checksum `before` with them behind it.
std::uint32_t crc32c(ByteSpan bytes, std::uint32_t before = 0);

inline std::string pass_name(std::uint32_t pass) { return fmt::format("pass-{:04}.dat", pass); }
// What opening the pass file failed by: not_found, told as what it is, also where something else bears its name; any other error as it
// came.
Error without_pass_file(std::uint32_t pass, const Error& error);
// "block 7 of target 0, LUN 0, pass 2"
std::string describe(UnitAddress unit);

// Pages of a unit that the chip did not give, or not whole.
std::uint64_t pages_not_read(std::span<const PageStatus> status);

json::Object to_json(UnitAddress unit);
Result<UnitAddress> unit_from(const json::Value& value, const Geometry& geometry);

struct UnitRecord {
  UnitAddress unit;
  UnitFacts facts;
};
json::Object to_json(const UnitRecord& record);
// Refuses what no writer of ours makes: sizes beyond the geometry, pages outside the block. file_damaged.
Result<UnitRecord> unit_record_from(const json::Object& payload, const Geometry& geometry);

}  // namespace steadycell::passes
