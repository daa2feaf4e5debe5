#pragma once
#include <string>
#include <string_view>
#include <vector>

#include "base/address.h"
#include "base/bytes.h"
#include "base/json.h"
#include "base/result.h"

namespace steadycell::passes {

// What one target answered, verbatim, and how it was understood.
struct TargetIdentity {
  std::uint8_t target = 0;
  Bytes id_bytes;
  Bytes parameter_page;  // as read, all copies; empty when there was none
  std::string maker, model;
  std::string source;    // what gave the geometry: "id", "onfi", "jedec", "given by hand", ...
  friend bool operator==(const TargetIdentity&, const TargetIdentity&) = default;
};

// capture.json: written once, when the capture is made. All targets of a capture share one geometry.
struct CaptureHead {
  static constexpr std::uint32_t kNewestVersion = 2;
  std::uint32_t version = kNewestVersion;  // of the format, from 1; an older capture grows as it began
  std::string uuid;
  std::string origin = "board";  // "board", or "import" for passes read elsewhere
  std::string board_uuid;        // empty for an import
  Geometry geometry;
  std::vector<TargetIdentity> targets;
  std::uint32_t supply_mV = 0;  // 0 = not known
  std::string timing;           // "mode 0"
  std::string tool;             // program and version that made it
};

// What any chip can be (docs/design.md), and what whole units in memory allow: bad_input_file names the first number that
// is out of bounds.
inline constexpr std::uint32_t kMaxBlocks = 1 << 20;
inline constexpr std::uint64_t kMaxBlockBytes = 48 << 20;
Result<void> check_geometry(const Geometry& geometry);

// What is odd about a page size that was given by hand, and what chips have; empty for a usual one (common
// practice, no source).
std::string page_size_doubt(std::uint32_t page_bytes);

std::string head_text(const CaptureHead& head);
// Strict: unknown keys and impossible geometry are bad_input_file, a newer version version_unknown.
Result<CaptureHead> parse_head(std::string_view text);

// Random UUID, version 4 (RFC 4122), as text.
std::string make_uuid();

}  // namespace steadycell::passes
