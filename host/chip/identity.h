#pragma once
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "base/address.h"
#include "base/bytes.h"
#include "base/result.h"
#include "base/units.h"

// What a chip says of itself, and what that means.
namespace steadycell::chip {

// The correction the maker asks for: `bits` wrong bits in `per_bytes` bytes of data.
struct EccNeed {
  std::uint32_t bits = 0, per_bytes = 512;
  friend bool operator==(const EccNeed&, const EccNeed&) = default;
};

// Upper bounds for anything a chip claims; beyond them an answer is refused (requirements of hostile parameter pages).
struct Limits {
  static constexpr std::uint64_t kMinPage = 512, kMaxPage = 65536, kMinPagesPerBlock = 16, kMaxPagesPerBlock = 8192;
  static constexpr std::uint64_t kMaxBlocks = 1u << 20, kMaxLuns = 16, kMaxTotalBytes = 1ull << 42;
};
// The geometry as it is, or unknown_chip with the value that is out of bounds.
Result<Geometry> checked(const Geometry& geometry);

struct Identification {
  Geometry geometry;                // of one target
  std::string maker, model;         // printable; model empty when unknown
  std::string source;               // "onfi", "jedec", "id table", "id"
  std::optional<EccNeed> ecc_need;
  std::optional<Millivolts> supply;  // class of the supply by device code: 1800, 3300 or 5000
  std::uint8_t timing_mode = 0;     // fastest SDR mode the chip declares
  Microseconds read_time{200};      // tR, at most
  std::uint32_t bad_block_mark = 0; // byte of the spare area that marks a bad block in its first page
  std::vector<std::string> notes;   // disagreements between the sources and which one won, on-die ECC, dies
};

// The bytes of one READ ID answer without its repetition: up to the smallest period of the first 8 bytes, else up to
// the last byte that is not zero.
Bytes trimmed_id(ByteSpan raw);

// Which parameter page a chip says it has, by READ ID at 20h ("ONFI") and 40h ("JEDEC"); double_rate when the letters come
// twice ("OONNFFII"), as they do from a bus that moves data on both edges.
struct Announced {
  bool onfi = false, jedec = false;
};
Result<Announced> announced(ByteSpan at_20, ByteSpan at_40);

// Name of a JEP106 bank-1 maker code; "maker 0x.." for codes without one here.
std::string maker_name(std::uint8_t code);

// By maker family rules and full-ID rows (docs: kernel raw-NAND core, data sheets). `jedec_at_40`: READ ID at 40h said
// "JEDEC", which some families read differently.
// Errors: no_chip (silent bus, even parity of the maker code), double_rate, unknown_chip.
Result<Identification> decode_id(ByteSpan raw, bool jedec_at_40 = false);

inline constexpr std::size_t kShortestParameterPage = 256;  // bytes of one ONFI copy; a JEDEC one is longer

// ONFI or JEDEC parameter page with all its copies, as streamed after ECh 00h (or 40h). A copy counts when its own CRC is
// right; without one, the bitwise majority of the copies is tried. JEDEC pages leave timing_mode at 0: their speed grade is
// not decoded. Errors: bad_parameter_page with the reason; double_rate when every byte comes twice, or only every second one.
Result<Identification> decode_parameter_page(ByteSpan raw);

// Which source wins, and what they disagree on: a parameter page with a good CRC over a full-ID row over the family rules.
// `parameter_page` empty: there was none. Fails only when no source gives a geometry.
Result<Identification> identify(ByteSpan id, ByteSpan parameter_page, bool jedec_at_40 = false);

}  // namespace steadycell::chip
