#include <algorithm>
#include <array>
#include <bit>

#include "chip/identity.h"

// READ ID by maker family rules. The rules and device codes are those that the Linux kernel's raw-NAND core and the makers'
// data sheets give; nothing here is a guess for bytes that no source covers: those are unknown_chip.
namespace steadycell::chip {
namespace {

enum Maker : std::uint8_t { kMicron = 0x2C, kToshiba = 0x98, kHynix = 0xAD, kSamsung = 0xEC };

constexpr std::pair<std::uint8_t, const char*> kMakers[] = {
    {0x01, "Spansion"}, {0x04, "Fujitsu"}, {0x07, "Renesas"},  {0x20, "Numonyx"}, {0x2C, "Micron"},   {0x89, "Intel"},
    {0x8F, "National"}, {0x92, "Eon"},     {0x98, "Toshiba"},  {0x9B, "ATO"},     {0xAD, "Hynix"},    {0xC2, "Macronix"},
    {0xC8, "ESMT or GigaDevice"}, {0xEC, "Samsung"}, {0xEF, "Winbond"}};

struct DeviceCode {
  std::uint32_t mebibytes;
  std::uint8_t code;
  std::uint8_t bus_bits;
  std::uint16_t supply_mV;
  bool small_page;
};
constexpr DeviceCode kDevices[] = {
    // 512 + 16 bytes a page
    {4, 0x6B, 8, 5000, true}, {4, 0xE3, 8, 3300, true}, {4, 0xE5, 8, 3300, true}, {8, 0xD6, 8, 3300, true},
    {8, 0xE6, 8, 3300, true}, {16, 0x33, 8, 1800, true}, {16, 0x73, 8, 3300, true}, {16, 0x43, 16, 1800, true},
    {16, 0x53, 16, 3300, true}, {32, 0x35, 8, 1800, true}, {32, 0x75, 8, 3300, true}, {32, 0x45, 16, 1800, true},
    {32, 0x55, 16, 3300, true}, {64, 0x36, 8, 1800, true}, {64, 0x76, 8, 3300, true}, {64, 0x46, 16, 1800, true},
    {64, 0x56, 16, 3300, true}, {128, 0x78, 8, 1800, true}, {128, 0x39, 8, 1800, true}, {128, 0x79, 8, 3300, true},
    {128, 0x72, 16, 1800, true}, {128, 0x49, 16, 1800, true}, {128, 0x74, 16, 3300, true},
    {128, 0x59, 16, 3300, true}, {256, 0x71, 8, 3300, true},
    // 2 KiB and more a page
    {64, 0xA2, 8, 1800, false}, {64, 0xA0, 8, 1800, false}, {64, 0xF2, 8, 3300, false}, {64, 0xD0, 8, 3300, false},
    {64, 0xF0, 8, 3300, false}, {64, 0xB2, 16, 1800, false}, {64, 0xB0, 16, 1800, false}, {64, 0xC2, 16, 3300, false},
    {64, 0xC0, 16, 3300, false}, {128, 0xA1, 8, 1800, false}, {128, 0xF1, 8, 3300, false},
    {128, 0xD1, 8, 3300, false}, {128, 0xB1, 16, 1800, false}, {128, 0xAD, 16, 1800, false},
    {128, 0xC1, 16, 3300, false}, {256, 0xAA, 8, 1800, false}, {256, 0xDA, 8, 3300, false},
    {256, 0xBA, 16, 1800, false}, {256, 0xCA, 16, 3300, false}, {512, 0xAC, 8, 1800, false},
    {512, 0xDC, 8, 3300, false}, {512, 0xBC, 16, 1800, false}, {512, 0xCC, 16, 3300, false},
    {1024, 0xA3, 8, 1800, false}, {1024, 0xD3, 8, 3300, false}, {1024, 0xB3, 16, 1800, false},
    {1024, 0xC3, 16, 3300, false}, {2048, 0xA5, 8, 1800, false}, {2048, 0xD5, 8, 3300, false},
    {2048, 0xB5, 16, 1800, false}, {2048, 0xC5, 16, 3300, false}, {4096, 0xA7, 8, 1800, false},
    {4096, 0xD7, 8, 3300, false}, {4096, 0xB7, 16, 1800, false}, {4096, 0xC7, 16, 3300, false},
    {8192, 0xAE, 8, 1800, false}, {8192, 0xDE, 8, 3300, false}, {8192, 0xBE, 16, 1800, false},
    {8192, 0xCE, 16, 3300, false}, {16384, 0x1A, 8, 1800, false}, {16384, 0x3A, 8, 3300, false},
    {16384, 0x2A, 16, 1800, false}, {16384, 0x4A, 16, 3300, false}, {32768, 0x1C, 8, 1800, false},
    {32768, 0x3C, 8, 3300, false}, {32768, 0x2C, 16, 1800, false}, {32768, 0x4C, 16, 3300, false},
    {65536, 0x1E, 8, 1800, false}, {65536, 0x3E, 8, 3300, false}, {65536, 0x2E, 16, 1800, false},
    {65536, 0x4E, 16, 3300, false}};

// Parts whose bytes the family rules read wrongly, from the kernel's full-ID rows; the last two from the part's own ONFI
// page. No device code is consulted for them.
struct FullIdRow {
  std::array<std::uint8_t, 8> id;
  std::uint32_t page_bytes, spare_bytes, block_kib, mebibytes;
  EccNeed ecc;
  std::uint16_t supply_mV;
  std::uint8_t length;
};
constexpr FullIdRow kFullIds[] = {
    {{0x98, 0xDC, 0x90, 0x26, 0x76, 0x15, 0x01, 0x08}, 4096, 224, 256, 512, {4, 512}, 3300, 8},
    {{0x98, 0xD3, 0x90, 0x26, 0x76, 0x15, 0x02, 0x08}, 4096, 232, 256, 1024, {4, 512}, 3300, 8},
    {{0x98, 0xD7, 0x94, 0x32, 0x76, 0x56, 0x09, 0x00}, 8192, 640, 1024, 4096, {40, 1024}, 3300, 8},
    {{0x98, 0xDE, 0x94, 0x82, 0x76, 0x56, 0x04, 0x20}, 8192, 640, 2048, 8192, {40, 1024}, 3300, 8},
    {{0x98, 0xDC, 0x91, 0x15, 0x76}, 2048, 128, 128, 512, {8, 512}, 3300, 5},
    {{0x98, 0xD3, 0x91, 0x26, 0x76}, 4096, 256, 256, 1024, {8, 512}, 3300, 5},
    {{0x45, 0xDE, 0x94, 0x93, 0x76, 0x50}, 16384, 1280, 4096, 8192, {40, 1024}, 3300, 6},
    {{0xAD, 0xDE, 0x14, 0xA7, 0x42, 0x4A}, 16384, 1664, 4096, 8192, {40, 1024}, 3300, 6},
    {{0x2C, 0xA3, 0x90, 0x26, 0x64}, 4096, 224, 256, 1024, {8, 512}, 1800, 5},
    // 3.3 V by its part number (from memory).
    {{0x2C, 0x48, 0x00, 0x26, 0x89}, 4096, 224, 512, 4096, {4, 512}, 3300, 5}};

const DeviceCode* device(std::uint8_t code) {
  const auto found = std::find_if(std::begin(kDevices), std::end(kDevices), [&](const DeviceCode& d) { return d.code == code; });
  return found == std::end(kDevices) ? nullptr : found;
}

std::uint32_t bits(std::uint8_t byte, unsigned low, unsigned count) { return byte >> low & ((1u << count) - 1); }

struct Shape {
  std::uint32_t page_bytes, spare_bytes;
  std::uint64_t block_bytes;
  std::optional<EccNeed> ecc;
};

Shape common_shape(ByteSpan id) {
  const std::uint8_t b4 = id[3];
  const std::uint32_t page = 1024u << bits(b4, 0, 2);
  return {page, (8u << bits(b4, 2, 1)) * (page / 512), std::uint64_t{65536} << bits(b4, 4, 2), std::nullopt};
}

// Bits {6,3,2} of the fourth byte, in that order.
std::uint32_t spare_code(std::uint8_t b4) { return bits(b4, 6, 1) << 2 | bits(b4, 2, 2); }

// The makers' own coding of their later multi-level parts. Reserved spare-area codes are 0 below.
bool is_samsung_late_mlc(ByteSpan id) { return id[0] == kSamsung && id.size() == 6 && bits(id[2], 2, 2) != 0 && id[5] != 0; }
bool is_hynix_late_mlc(ByteSpan id) { return id[0] == kHynix && id.size() == 6 && bits(id[2], 2, 2) != 0; }

std::optional<Shape> samsung_mlc(ByteSpan id) {
  static constexpr std::uint32_t kSpare[8] = {0, 128, 218, 400, 436, 512, 640, 0};
  const std::uint8_t b4 = id[3];
  Shape shape{2048u << bits(b4, 0, 2), kSpare[spare_code(b4)], std::uint64_t{131072} << (bits(b4, 7, 1) << 2 | bits(b4, 4, 2)),
              std::nullopt};
  if (shape.spare_bytes == 0) return std::nullopt;
  const std::uint32_t level = bits(id[4], 4, 3);
  static constexpr EccNeed kNeed[8] = {{1, 512}, {2, 512}, {4, 512}, {8, 512}, {16, 512}, {24, 1024}, {40, 1024}, {60, 1024}};
  shape.ecc = kNeed[level];
  return shape;
}

std::optional<Shape> hynix_mlc(ByteSpan id, bool jedec_at_40) {
  static constexpr std::uint32_t kSpare[8] = {128, 224, 448, 64, 32, 16, 640, 0}, kSpareJedec[8] = {2048, 1664, 1024, 640, 0, 0, 0, 0};
  const std::uint8_t b4 = id[3];
  Shape shape{2048u << bits(b4, 0, 2), (jedec_at_40 ? kSpareJedec : kSpare)[spare_code(b4)], 0, std::nullopt};
  if (shape.spare_bytes == 0) return std::nullopt;
  const std::uint32_t code = bits(b4, 4, 2);
  shape.block_bytes = bits(b4, 7, 1) ? std::uint64_t{1048576} << code : code == 3 ? 786432 : std::uint64_t{131072} << code;
  const std::uint32_t level = bits(id[4], 4, 3);
  static constexpr std::uint32_t kJedecLevels[8] = {0, 4, 24, 32, 40, 50, 60, 0};
  if (jedec_at_40) {
    if (kJedecLevels[level] != 0) shape.ecc = EccNeed{kJedecLevels[level], 1024};
  } else if (bits(id[5], 0, 3) >= 3 && level >= 1) {
    shape.ecc = level <= 4 ? EccNeed{1u << (level - 1), 512} : EccNeed{24 + 8 * (level - 5), 1024};
  }
  return shape;
}

// Multi-level parts with six bytes and more code page and block by their maker's own rule, which only two of them have here: the
// common rule gives half the page of every such part whose full row is known.
bool is_unexplained_late_mlc(ByteSpan id) { return id.size() >= 6 && bits(id[2], 2, 2) != 0; }

Result<Shape> shape_of(ByteSpan id, bool jedec_at_40) {
  const auto undefined = [&] {
    return failure(ErrorCode::unknown_chip, "the fourth byte of the ID {} holds a spare-area code that no source explains", hex_spaced(id));
  };
  const bool single_level = bits(id[2], 2, 2) == 0;
  if (is_samsung_late_mlc(id)) {
    const auto shape = samsung_mlc(id);
    return shape ? Result<Shape>(*shape) : undefined();
  }
  if (is_hynix_late_mlc(id)) {
    const auto shape = hynix_mlc(id, jedec_at_40);
    return shape ? Result<Shape>(*shape) : undefined();
  }
  if (is_unexplained_late_mlc(id))
    return failure(ErrorCode::unknown_chip,
                   "the ID {} is a multi-level part of {} that is in no table here, and the common rules are wrong for it", hex_spaced(id),
                   maker_name(id[0]));
  Shape shape = common_shape(id);
  if (id[0] == kToshiba && id.size() >= 6 && single_level) {
    static constexpr std::uint32_t kNeedByNode[8] = {0, 0, 0, 0, 1, 4, 8, 0};  // 43, 32, 24 nm
    const std::uint32_t node = bits(id[5], 0, 3);
    if (kNeedByNode[node] != 0) shape.ecc = EccNeed{kNeedByNode[node], 512};
    if (node == 6 && bits(id[4], 7, 1) == 0) shape.spare_bytes = 32 * (shape.page_bytes / 512);
  }
  return shape;
}

std::uint32_t row_cycles_for(const Geometry& g) {
  const std::uint64_t rows = std::uint64_t{std::bit_ceil(g.pages_per_block)} * std::bit_ceil(g.blocks);
  return rows > 1u << 24 ? 4 : rows > 1u << 16 ? 3 : 2;
}

// "ID right, every byte twice": a double-rate bus read at single rate.
bool every_byte_twice(ByteSpan raw) {
  if (raw.size() < 6) return false;
  for (std::size_t i = 0; i + 1 < raw.size(); i += 2)
    if (raw[i] != raw[i + 1]) return false;
  return raw[0] != raw[2] && device(raw[2]) != nullptr;
}

void apply(const FullIdRow& row, ByteSpan id, Identification& out) {
  Geometry& g = out.geometry;
  g.page_bytes = row.page_bytes;
  g.spare_bytes = row.spare_bytes;
  g.pages_per_block = row.block_kib * 1024 / row.page_bytes;
  g.blocks = row.mebibytes * 1024 / row.block_kib;
  g.bits_per_cell = bits(id[2], 2, 2) + 1;
  g.planes = 1u << bits(id[4], 2, 2);
  g.row_cycles = row_cycles_for(g);
  out.supply = Millivolts(row.supply_mV);
  out.ecc_need = row.ecc;
  out.source = "id table";
}

void apply_small_page(const DeviceCode& d, Identification& out) {
  Geometry& g = out.geometry;
  g.page_bytes = 512;
  g.spare_bytes = 16;
  const std::uint32_t block_bytes = d.mebibytes <= 8 ? 8192 : 16384;
  g.pages_per_block = block_bytes / 512;
  g.blocks = d.mebibytes * (1u << 20) / block_bytes;
  g.column_cycles = 1;
  g.row_cycles = row_cycles_for(g);
  out.bad_block_mark = d.bus_bits == 8 ? 5 : 0;
}

Result<void> apply_family(ByteSpan id, const DeviceCode& d, bool jedec_at_40, Identification& out) {
  if (id.size() < 4)
    return failure(ErrorCode::unknown_chip, "the ID {} has only {} bytes; parts with pages beyond 512 bytes give 4 or more", hex_spaced(id),
                   id.size());
  const auto shape = shape_of(id, jedec_at_40);
  if (!shape) return failure(shape.error());
  Geometry& g = out.geometry;
  g.page_bytes = shape->page_bytes;
  g.spare_bytes = shape->spare_bytes;
  g.pages_per_block = static_cast<std::uint32_t>(shape->block_bytes / shape->page_bytes);
  g.blocks = static_cast<std::uint32_t>((std::uint64_t{d.mebibytes} << 20) / shape->block_bytes);
  g.bits_per_cell = bits(id[2], 2, 2) + 1;
  if (id.size() >= 5) g.planes = 1u << bits(id[4], 2, 2);
  g.row_cycles = row_cycles_for(g);
  out.ecc_need = shape->ecc;
  if (const bool wide = bits(id[3], 6, 1) == 1; wide != (d.bus_bits == 16) && !is_samsung_late_mlc(id) && !is_hynix_late_mlc(id))
    out.notes.emplace_back(
        fmt::format("the fourth ID byte says {} bits of bus, the device code {}: the device code wins", wide ? 16 : 8, d.bus_bits));
  if (const std::uint32_t dies = 1u << bits(id[2], 0, 2); dies > 1)
    out.notes.emplace_back(fmt::format("{} dies share this CE#; the size counts them all", dies));
  if (id[0] == kMicron && id.size() >= 5 && bits(id[4], 7, 1) == 1)
    out.notes.emplace_back("on-die ECC is on: pages come corrected, and its code may lie in the spare area");
  if (id[0] == kToshiba && id.size() >= 6 && bits(id[5], 0, 3) == 6 && bits(id[4], 7, 1) == 1)
    out.notes.emplace_back("on-die ECC is built in: pages come corrected");
  return {};
}

}  // namespace

std::string maker_name(std::uint8_t code) {
  for (const auto& [maker, name] : kMakers)
    if (maker == code) return name;
  return fmt::format("maker 0x{:02X}", code);
}

Result<Announced> announced(ByteSpan at_20, ByteSpan at_40) {
  const auto says = [](ByteSpan raw, std::string_view word) {
    return raw.size() >= word.size() && as_text(raw.first(word.size())) == word;
  };
  if (says(at_20, "OONNFF") || says(at_40, "JJEEDD"))
    return failure(ErrorCode::double_rate, "the parameter page is announced with every letter twice ({}), as a double-rate bus gives",
                   hex_spaced(says(at_20, "OONNFF") ? at_20 : at_40));
  return Announced{says(at_20, "ONFI"), says(at_40, "JEDEC")};
}

Result<Identification> decode_id(ByteSpan raw, bool jedec_at_40) {
  const auto silent = [&](std::uint8_t value) {
    return std::all_of(raw.begin(), raw.end(), [&](std::uint8_t byte) { return byte == value; });
  };
  if (raw.size() < 2) return failure(ErrorCode::wrong_usage, "an ID has at least 2 bytes");
  if (silent(0xFF) || silent(0x00)) return failure(ErrorCode::no_chip, "the ID reads {}: nothing drives the bus", hex_spaced(raw));
  if (every_byte_twice(raw))
    return failure(ErrorCode::double_rate, "the ID {} has every byte twice, as a double-rate bus gives", hex_spaced(raw));
  // Every JEP106 code has odd parity over its 8 bits.
  if ((std::popcount(raw[0]) & 1) == 0)
    return failure(Error(ErrorCode::no_chip,
                         fmt::format("the ID {} starts with a byte of even parity, which no maker code has: a read fault", hex_spaced(raw)))
                       .advising("check contacts and rail, then read the ID again"));

  const Bytes id = trimmed_id(raw);
  if (id.size() < 2) return failure(ErrorCode::no_chip, "the ID reads {}: one value over and over", hex_spaced(raw));
  Identification out;
  out.maker = maker_name(id[0]);
  for (const FullIdRow& row : kFullIds) {
    if (raw.size() < row.length || !std::equal(row.id.begin(), row.id.begin() + row.length, raw.begin())) continue;
    apply(row, raw, out);
    return out;
  }
  const DeviceCode* d = device(id[1]);
  if (!d) return failure(ErrorCode::unknown_chip, "device code {:02X} of {} is not known", id[1], out.maker);
  out.source = "id";
  out.geometry.bus_bits = d->bus_bits;
  out.supply = Millivolts(d->supply_mV);
  if (d->small_page) {
    apply_small_page(*d, out);
  } else if (const auto applied = apply_family(id, *d, jedec_at_40, out); !applied) {
    return failure(applied.error());
  }
  if (const auto good = checked(out.geometry); !good) return failure(good.error());
  return out;
}

}  // namespace steadycell::chip
