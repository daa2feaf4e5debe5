#pragma once
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/address.h"
#include "base/bytes.h"
#include "base/json.h"
#include "base/result.h"
#include "base/sha256.h"
#include "image/coverage.h"
#include "image/verdict.h"

// manifest.json of an image bundle, version 1: what the image is, where it comes from, and the hash of every file.
// It never holds page bytes. docs/image.md describes it for strangers, docs/image-manifest.schema.json for
// programs.
namespace steadycell::image {

inline constexpr std::string_view kManifestName = "manifest.json";
inline constexpr std::string_view kCorrectionsName = "corrections.xor.zst";
inline constexpr std::string_view kVerdictsName = "verdicts.csv";
inline constexpr std::string_view kMarginsName = "margins.bin";
inline constexpr std::string_view kBlockHashesName = "blocks.sha256";

// What one target answered, verbatim, and how it was understood.
struct Identity {
  std::uint8_t target = 0;
  Bytes id_bytes;        // READ ID as read
  Bytes parameter_page;  // as read, all copies; empty when there was none
  std::string maker;     // empty when unknown
  std::string model;     // empty when unknown
  std::string source;    // which source gave the geometry: "id", "onfi", "jedec", "user", ...
  friend bool operator==(const Identity&, const Identity&) = default;
};

// A way of reading that contributed to the vote. Whatever affects bits is here.
struct Condition {
  std::uint32_t supply_mV = 0;  // 0: not known (imported passes)
  std::string timing;           // "mode 0"
  std::uint32_t retry_level = 0;
  std::string temperature;   // a note; empty when nothing is known
  std::uint32_t passes = 0;  // passes read under it
  friend bool operator==(const Condition&, const Condition&) = default;
};

struct FileEntry {
  std::string name;  // a safe name (base/text.h): the files lie beside the manifest
  std::uint64_t bytes = 0;
  Digest sha256{};
  friend bool operator==(const FileEntry&, const FileEntry&) = default;
};

struct Manifest {
  Geometry geometry;
  std::vector<Identity> identity;
  std::string capture_uuid;
  Digest journal_head{};              // SHA-256 of the capture's last journal record when settled
  std::optional<json::Value> scheme;  // the ECC scheme (docs/design.md, steadycell-ecc/1) as given
  std::vector<Condition> conditions;
  std::vector<LunCoverage> coverage;
  std::vector<std::string>
      not_read;                   // areas of the chip that the image does not hold: "one-time-programmable area"
  std::uint8_t fill_byte = 0xFF;  // stands in pages.raw where a page is `unread`
  VerdictCounts summary;
  // Bit errors the code found over the bits it covered, in the pages it could judge; nothing without a code.
  std::optional<double> raw_bit_error_rate;
  std::vector<std::string> notes;  // deviations with their reason, for the reader of the image
  std::string tool = "steadycell";
  std::string version;
  std::string build;
  std::vector<FileEntry> files;  // every file of the bundle but the manifest; pages files in coverage order first

  const FileEntry* file(std::string_view name) const;  // nullptr when not listed
};

json::Value to_json(const Manifest& manifest);

// Strict: unknown keys, unsafe or doubled file names, impossible geometry, coverage outside the chip, a pages file
// whose size is not that of its blocks, and verdict counts that do not add up to the covered pages are refused
// with the path of the key (bad_input_file); another major version of the schema with version_unknown.
Result<Manifest> parse_manifest(std::string_view text);

}  // namespace steadycell::image
