#pragma once
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/bytes.h"
#include "base/json.h"
#include "base/result.h"
#include "ecc/bch.h"
#include "ecc/hamming.h"
#include "ecc/reed_solomon.h"

// An ECC scheme file, steadycell-ecc/1 (docs/design.md, "Files"): which bytes of a page a code covers, and how.
namespace steadycell::ecc {

// Bytes [offset, offset + length) of page + spare.
struct Range {
  std::uint32_t offset = 0, length = 0;
  friend bool operator==(const Range&, const Range&) = default;
};

struct Step {
  std::vector<Range> data;      // what `--what data` exports, in this order
  std::vector<Range> metadata;  // protected with the data (Scheme::metadata_place), in this order, not exported
  std::vector<Range> code;
  std::uint32_t data_bytes() const;      // of `data`
  std::uint32_t covered_bytes() const;   // data and metadata
  std::uint32_t code_bytes() const;
};

enum class CodeKind : std::uint8_t { bch, hamming, reed_solomon };
// Where the metadata of a step stand in its codeword: between data and code, or in front of all.
enum class MetadataPlace : std::uint8_t { after_data, before_data };
enum class BitOrder : std::uint8_t { msb_first, lsb_first };
// How an erased step looks: `codeword`: FF everywhere decodes; `all_ff`: it does not, and is told by counting zeros.
enum class ErasedAs : std::uint8_t { codeword, all_ff };

struct Scheme {
  CodeKind code = CodeKind::bch;
  unsigned m = 0, t = 1;  // BCH and Reed-Solomon, whose symbols have m bits
  std::uint32_t polynomial = 0;
  std::uint32_t first_root = 0;  // Reed-Solomon
  HammingOrder hamming_order = HammingOrder::high_line_first;
  BitOrder bit_order = BitOrder::msb_first;
  MetadataPlace metadata_place = MetadataPlace::after_data;
  std::uint32_t page_bytes = 0, spare_bytes = 0;
  std::vector<Step> steps;  // all with as many bytes of data, and of code; some may have fewer metadata than others, or none
  Bytes mask;  // XOR on the code bytes as stored, one step long; empty = none
  ErasedAs erased = ErasedAs::codeword;

  std::uint32_t raw_page_bytes() const { return page_bytes + spare_bytes; }
  // Of a step.
  BchShape bch_shape(const Step& step) const;
  ReedSolomonShape reed_solomon_shape(const Step& step) const;
};

// Strict: unknown keys, ranges outside the page or over each other, and sizes that do not fit the code are refused with the
// path of the key (bad_input_file; version_unknown for a later schema).
// Metadata may be shared by several steps, as some controllers do; nothing else may be used twice.
Result<Scheme> parse_scheme(const json::Value& value);
Result<Scheme> parse_scheme(std::string_view text);
json::Value to_json(const Scheme& scheme);
// The file as people read it: one step a line. parse_scheme() gives the same scheme back.
std::string pretty(const Scheme& scheme);

}  // namespace steadycell::ecc
