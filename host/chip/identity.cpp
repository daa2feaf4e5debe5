#include "chip/identity.h"

#include <algorithm>
#include <bit>

namespace steadycell::chip {

Result<Geometry> checked(const Geometry& g) {
  const auto bad = [](std::string_view what, std::uint64_t value) {
    return failure(ErrorCode::unknown_chip, "the chip claims {} {}, which no chip has", value, what);
  };
  if (g.page_bytes < Limits::kMinPage || g.page_bytes > Limits::kMaxPage) return bad("data bytes a page", g.page_bytes);
  if (g.spare_bytes > g.page_bytes / 2) return bad("spare bytes a page", g.spare_bytes);
  if (g.pages_per_block < Limits::kMinPagesPerBlock || g.pages_per_block > Limits::kMaxPagesPerBlock)
    return bad("pages a block", g.pages_per_block);
  if (g.blocks < 1 || g.blocks > Limits::kMaxBlocks) return bad("blocks", g.blocks);
  if (g.luns < 1 || g.luns > Limits::kMaxLuns) return bad("LUNs", g.luns);
  if (g.row_cycles < 1 || g.row_cycles > 4) return bad("row address cycles", g.row_cycles);
  if (g.column_cycles != (g.page_bytes == 512 ? 1 : 2)) return bad("column address cycles", g.column_cycles);
  if (g.bus_bits != 8 && g.bus_bits != 16) return bad("bits of bus", g.bus_bits);
  const std::uint64_t block_stride = std::bit_ceil(g.pages_per_block), lun_stride = block_stride * std::bit_ceil(g.blocks);
  const std::uint64_t last_row = (g.luns - 1) * lun_stride + (g.blocks - 1) * block_stride + g.pages_per_block - 1;
  if (last_row >> (8 * g.row_cycles) != 0)
    return failure(ErrorCode::unknown_chip, "the chip claims more pages than its {} row address cycles can name", g.row_cycles);
  if (g.bits_per_cell < 1 || g.bits_per_cell > 8) return bad("bits a cell", g.bits_per_cell);
  // 2^16 * 2^13 * 2^20 * 2^4 fits 64 bits, so the product cannot wrap once its factors are bounded.
  if (g.total_bytes() > Limits::kMaxTotalBytes) return bad("bytes in all", g.total_bytes());
  return g;
}

Bytes trimmed_id(ByteSpan raw) {
  const ByteSpan id = raw.first(std::min<std::size_t>(raw.size(), 8));
  if (id.size() < 8) return Bytes(id.begin(), id.end());
  for (std::size_t period = 1; period < id.size(); ++period) {
    bool repeats = true;
    for (std::size_t i = period; i < id.size() && repeats; ++i) repeats = id[i] == id[i - period];
    if (repeats) return Bytes(id.begin(), id.begin() + static_cast<std::ptrdiff_t>(period));
  }
  std::size_t length = id.size();
  while (length > 0 && id[length - 1] == 0) --length;
  return Bytes(id.begin(), id.begin() + static_cast<std::ptrdiff_t>(length));
}

namespace {

std::string describe(const Geometry& g) {
  return fmt::format("{} + {} bytes a page, {} pages a block, {} blocks, {} LUNs", g.page_bytes, g.spare_bytes, g.pages_per_block, g.blocks,
                     g.luns);
}

bool same_shape(const Geometry& a, const Geometry& b) {
  return a.page_bytes == b.page_bytes && a.spare_bytes == b.spare_bytes && a.pages_per_block == b.pages_per_block &&
         a.bus_bits == b.bus_bits && a.pages_per_lun() * a.luns == b.pages_per_lun() * b.luns;
}

}  // namespace

Result<Identification> identify(ByteSpan id, ByteSpan parameter_page, bool jedec_at_40) {
  auto by_id = decode_id(id, jedec_at_40);
  // A silent or double-rate bus makes a page that came over it worthless as well.
  if (!by_id && by_id.error().code() != ErrorCode::unknown_chip) return by_id;
  if (parameter_page.empty()) return by_id;
  auto by_page = decode_parameter_page(parameter_page);
  if (!by_page) {
    if (!by_id || by_page.error().code() == ErrorCode::double_rate) return by_page;
    by_id->notes.emplace_back(fmt::format("the parameter page was not used: {}", by_page.error().what()));
    return by_id;
  }
  if (by_page->maker.empty()) by_page->maker = maker_name(id[0]);
  if (!by_id) {
    by_page->notes.emplace_back(fmt::format("the ID bytes alone do not tell the geometry: {}", by_id.error().what()));
    return by_page;
  }
  if (!same_shape(by_page->geometry, by_id->geometry))
    by_page->notes.emplace_back(fmt::format("by the ID ({}) it would be {}; the parameter page wins, since its checksum is right",
                                            by_id->source, describe(by_id->geometry)));
  by_page->supply = by_id->supply;
  by_page->bad_block_mark = by_id->bad_block_mark;
  by_page->notes.insert(by_page->notes.end(), by_id->notes.begin(), by_id->notes.end());
  return by_page;
}

}  // namespace steadycell::chip
