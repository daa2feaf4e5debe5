#pragma once
#include <compare>
#include <cstdint>

namespace steadycell {

// Number of one page, counted block after block from 0 in each LUN. Neither a byte offset nor the row address on
// the bus (a 258-page block has a stride of 512): only chip/ converts.
struct PageAddress {
  std::uint32_t index = 0;
  friend constexpr auto operator<=>(PageAddress, PageAddress) = default;
};

struct BlockAddress {
  std::uint32_t index = 0;
  friend constexpr auto operator<=>(BlockAddress, BlockAddress) = default;
};

// A target, which is the LUNs that share one CE# (ONFI), and one of its LUNs; both from 0.
struct UnitPlace {
  std::uint8_t target = 0;
  std::uint8_t lun = 0;
  friend constexpr auto operator<=>(UnitPlace, UnitPlace) = default;
};

// The grain of journal and resume: one block of one LUN, read in one pass.
struct UnitAddress {
  UnitPlace place;
  BlockAddress block;
  std::uint32_t pass = 1;  // counted from 1
  friend constexpr auto operator<=>(UnitAddress, UnitAddress) = default;
};

// What one target looks like. Counts, never strides: nothing here is a power of two by right.
struct Geometry {
  std::uint32_t page_bytes = 0;       // data bytes of a page
  std::uint32_t spare_bytes = 0;      // spare bytes behind them
  std::uint32_t pages_per_block = 0;  // never 0 once identified
  std::uint32_t blocks = 0;           // blocks in one LUN
  std::uint32_t luns = 1;
  std::uint32_t planes = 1;
  std::uint32_t bits_per_cell = 1;
  std::uint32_t bus_bits = 8;  // 8 or 16
  std::uint32_t column_cycles = 2;
  std::uint32_t row_cycles = 3;

  friend constexpr bool operator==(const Geometry&, const Geometry&) = default;
  constexpr std::uint32_t raw_page_bytes() const { return page_bytes + spare_bytes; }
  constexpr std::uint64_t block_raw_bytes() const { return std::uint64_t{raw_page_bytes()} * pages_per_block; }
  constexpr std::uint64_t pages_per_lun() const { return std::uint64_t{pages_per_block} * blocks; }
  // Data bytes of all LUNs of the target.
  constexpr std::uint64_t total_bytes() const { return pages_per_lun() * luns * page_bytes; }
  constexpr BlockAddress block_of(PageAddress p) const { return {p.index / pages_per_block}; }
  constexpr bool contains(PageAddress p) const { return block_of(p).index < blocks; }
};

}  // namespace steadycell
