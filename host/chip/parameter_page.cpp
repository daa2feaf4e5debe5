#include <algorithm>
#include <array>

#include "base/text.h"
#include "chip/identity.h"

// ONFI parameter pages (256 bytes a copy) and JEDEC JESD230 ones (512), offsets as in the Linux kernel's onfi.h and jedec.h.
namespace steadycell::chip {
namespace {

constexpr std::size_t kMaxCopies = 64;

// CRC-16, polynomial 8005h, start 4F4Eh, no reflection, no final XOR (ONFI 1.0 section 5.1.4.36).
std::uint16_t crc16(ByteSpan bytes) {
  std::uint32_t crc = 0x4F4E;
  for (const std::uint8_t byte : bytes) {
    crc ^= static_cast<std::uint32_t>(byte) << 8;
    for (int bit = 0; bit < 8; ++bit) crc = crc & 0x8000 ? (crc << 1 ^ 0x8005) & 0xFFFF : crc << 1 & 0xFFFF;
  }
  return static_cast<std::uint16_t>(crc);
}

bool crc_right(ByteSpan copy) { return load_u16(copy.last(2)) == crc16(copy.first(copy.size() - 2)); }

struct Chosen {
  Bytes copy;
  std::string note;
};

// The first copy whose own CRC is right, else the bitwise majority over all copies when that passes.
std::optional<Chosen> choose(ByteSpan raw, std::size_t copy_bytes) {
  const std::size_t copies = std::min(raw.size() / copy_bytes, kMaxCopies);
  const auto copy = [&](std::size_t i) { return raw.subspan(i * copy_bytes, copy_bytes); };
  for (std::size_t i = 0; i < copies; ++i) {
    if (!crc_right(copy(i))) continue;
    Chosen chosen{Bytes(copy(i).begin(), copy(i).end()),
                  i == 0 ? "" : fmt::format("copy {} of the parameter page is the first with a right checksum", i + 1)};
    // Copies that are whole and differ are no damage of a bit: somebody should know.
    for (std::size_t later = i + 1; later < copies; ++later) {
      const bool same_kind = std::equal(chosen.copy.begin(), chosen.copy.begin() + 4, copy(later).begin());
      if (!same_kind || !crc_right(copy(later)) || std::equal(chosen.copy.begin(), chosen.copy.end(), copy(later).begin())) continue;
      chosen.note += fmt::format("{}copies {} and {} of the parameter page both have right checksums and differ; copy {} is used",
                                 chosen.note.empty() ? "" : "; ", i + 1, later + 1, i + 1);
      break;
    }
    return chosen;
  }
  if (copies < 3) return std::nullopt;
  Bytes majority(copy_bytes);
  for (std::size_t at = 0; at < copy_bytes; ++at)
    for (unsigned bit = 0; bit < 8; ++bit) {
      std::size_t ones = 0;
      for (std::size_t i = 0; i < copies; ++i) ones += copy(i)[at] >> bit & 1u;
      if (2 * ones > copies) majority[at] = static_cast<std::uint8_t>(majority[at] | 1u << bit);
    }
  if (!crc_right(majority)) return std::nullopt;
  return Chosen{std::move(majority),
                fmt::format("every copy of the parameter page is damaged; the majority of {} copies has a right checksum", copies)};
}

std::string padded_text(ByteSpan field) {
  std::string text(as_text(field));
  while (!text.empty() && (text.back() == ' ' || text.back() == '\0')) text.pop_back();
  return printable(text);
}

bool starts_with(ByteSpan raw, std::string_view text) { return raw.size() >= text.size() && as_text(raw.first(text.size())) == text; }

// Every byte twice: the bus moved data on both edges, the board saw each of them.
bool every_byte_twice_in_page(ByteSpan raw) {
  if (raw.size() < 64) return false;
  for (std::size_t i = 0; i + 1 < 64; i += 2)
    if (raw[i] != raw[i + 1]) return false;
  const std::array<std::uint8_t, 4> halved{raw[0], raw[2], raw[4], raw[6]};
  return as_text(halved) == "ONFI" || as_text(halved) == "JESD";
}

// Only every second byte: the other edge went by unseen, so a copy is half as long, and two in a row start alike.
bool halved(ByteSpan raw) {
  const auto starts = [&](std::string_view word, std::size_t copy_bytes) {
    return raw.size() >= 2 * copy_bytes && starts_with(raw, word) && starts_with(raw.subspan(copy_bytes), word);
  };
  return starts("OF", 128) || starts("JS", 256);
}

// Bytes from 32 on that ONFI and JESD230 share.
Result<Identification> shared_fields(ByteSpan page) {
  Identification out;
  out.maker = padded_text(page.subspan(32, 12));
  out.model = padded_text(page.subspan(44, 20));
  Geometry& g = out.geometry;
  g.bus_bits = (load_u16(page.subspan(6)) & 1u) != 0 ? 16 : 8;
  g.page_bytes = load_u32(page.subspan(80));
  g.spare_bytes = load_u16(page.subspan(84));
  g.pages_per_block = load_u32(page.subspan(92));
  g.blocks = load_u32(page.subspan(96));
  g.luns = page[100];
  g.row_cycles = page[101] & 0x0Fu;
  g.column_cycles = page[101] >> 4;
  g.bits_per_cell = page[102];
  const auto good = checked(g);
  if (!good)
    return failure(Error(ErrorCode::bad_parameter_page, fmt::format("its checksum is right, but {}", good.error().what())));
  return out;
}

void set_read_time(Identification& out, std::uint32_t microseconds) {
  if (microseconds > 0 && microseconds <= 10'000) out.read_time = Microseconds(microseconds);
}

// Codewords of 256 bytes to 64 KiB: whatever else a page claims is no correction that anybody builds.
std::optional<EccNeed> ecc_from(std::uint8_t bits, std::uint8_t log2_bytes) {
  if (bits == 0 || bits == 0xFF || log2_bytes < 8 || log2_bytes > 16) return std::nullopt;
  return EccNeed{bits, 1u << log2_bytes};
}

// The ECC section of one extended page, when its checksum is right.
std::optional<EccNeed> ecc_section(ByteSpan extended) {
  if (!starts_with(extended.subspan(2), "EPPS") || load_u16(extended) != crc16(extended.subspan(2))) return std::nullopt;
  std::size_t at = 32;
  for (std::size_t section = 0; section < 8; ++section) {
    const std::uint8_t type = extended[16 + 2 * section];
    if (type == 0 || at + 8 > extended.size()) return std::nullopt;
    if (type == 2) return ecc_from(extended[at], extended[at + 1]);
    at += std::size_t{16} * extended[17 + 2 * section];
  }
  return std::nullopt;
}

// Behind all copies of the page come as many copies of the extended one; the first good one speaks.
std::optional<EccNeed> extended_ecc(ByteSpan raw, ByteSpan page) {
  const std::size_t copies = page[14], length = std::size_t{16} * load_u16(page.subspan(12));
  if ((load_u16(page.subspan(6)) & 0x80u) == 0 || length < 48) return std::nullopt;
  for (std::size_t at = copies * 256, i = 0; i < copies && at + length <= raw.size(); at += length, ++i)
    if (const auto need = ecc_section(raw.subspan(at, length))) return need;
  return std::nullopt;
}

Result<Identification> decode_onfi(ByteSpan raw) {
  const auto chosen = choose(raw, kShortestParameterPage);
  if (!chosen)
    return failure(ErrorCode::bad_parameter_page, "no copy of the ONFI parameter page has a right checksum, nor has their majority");
  const ByteSpan page(chosen->copy);
  auto out = shared_fields(page);
  if (!out) return out;
  out->source = "onfi";
  if (!chosen->note.empty()) out->notes.push_back(chosen->note);
  if (page[112] == 0xFF) {
    out->ecc_need = extended_ecc(raw, page);
    if (!out->ecc_need) out->notes.emplace_back("the ECC need stands in an extended page that is missing or damaged");
  } else if (page[112] > 0) {
    out->ecc_need = EccNeed{page[112], 512};
  }
  out->geometry.planes = 1u << std::min<unsigned>(page[113] & 0x0Fu, 4);
  const std::uint16_t modes = load_u16(page.subspan(129));
  for (std::uint8_t mode = 0; mode <= 5; ++mode)
    if (modes >> mode & 1u) out->timing_mode = mode;
  set_read_time(*out, load_u16(page.subspan(137)));
  const std::uint16_t partial = load_u16(page.subspan(90));
  if (load_u32(page.subspan(86)) > out->geometry.page_bytes || partial > out->geometry.spare_bytes)
    out->notes.emplace_back("the partial page is said to be larger than the page: the maker's fields contradict each other");
  return out;
}

Result<Identification> decode_jedec(ByteSpan raw) {
  const auto chosen = choose(raw, 512);
  if (!chosen)
    return failure(ErrorCode::bad_parameter_page, "no copy of the JEDEC parameter page has a right checksum, nor has their majority");
  const ByteSpan page(chosen->copy);
  auto out = shared_fields(page);
  if (!out) return out;
  out->source = "jedec";
  if (!chosen->note.empty()) out->notes.push_back(chosen->note);
  out->ecc_need = ecc_from(page[211], page[212]);
  out->geometry.planes = 1u << std::min<unsigned>(page[104] & 0x0Fu, 4);
  set_read_time(*out, load_u16(page.subspan(157)));
  return out;
}

}  // namespace

Result<Identification> decode_parameter_page(ByteSpan raw) {
  if (every_byte_twice_in_page(raw))
    return failure(ErrorCode::double_rate, "the parameter page has every byte twice, as a double-rate bus gives");
  if (halved(raw))
    return failure(ErrorCode::double_rate, "the parameter page has only every second byte, as a double-rate bus read at single rate gives");
  if (raw.size() < 256) return failure(ErrorCode::bad_parameter_page, "the parameter page has {} bytes, expected at least 256", raw.size());
  // Which standard: what most copies start with, so that one damaged signature decides nothing.
  std::size_t onfi = 0, jedec = 0;
  for (std::size_t at = 0; at + 256 <= raw.size() && at < kMaxCopies * 256; at += 256) onfi += starts_with(raw.subspan(at), "ONFI") ? 1 : 0;
  for (std::size_t at = 0; at + 512 <= raw.size() && at < kMaxCopies * 512; at += 512)
    jedec += starts_with(raw.subspan(at), "JESD") ? 1 : 0;
  if (onfi == 0 && jedec == 0) return failure(ErrorCode::bad_parameter_page, "no copy of the parameter page starts with ONFI or JESD");
  return onfi >= jedec ? decode_onfi(raw) : decode_jedec(raw);
}

}  // namespace steadycell::chip
