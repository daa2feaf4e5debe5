#pragma once
#include "base/address.h"
#include "base/units.h"
#include "chip/identity.h"
#include "protocol/bus_program.h"

// Addresses and sequences on the chip's bus. Row addresses exist only here.
namespace steadycell::chip {

// Rows of a LUN: pages of a block, then blocks, then LUNs, each padded to a power of two.
class Addressing {
 public:
  explicit Addressing(const Geometry& geometry);

  std::uint32_t row(std::uint8_t lun, PageAddress page) const;
  // Distance between the first rows of neighbouring blocks.
  std::uint32_t block_stride() const { return block_stride_; }

 private:
  std::uint32_t pages_per_block_, block_stride_, lun_stride_;
};

// Longest busy times that are no fault; generous, since a worn chip takes longer than its data sheet says.
inline constexpr Microseconds kResetLimit{5'000};
inline constexpr Microseconds kReadLimit{10'000};
inline constexpr std::uint32_t kIdBytes = 8;
inline constexpr std::uint32_t kParameterPageBytes = 4096;  // copies and extended page

protocol::BusProgram reset_program();
// READ ID at 00h, 20h or 40h.
protocol::BusProgram read_id_program(std::uint8_t at);
protocol::BusProgram parameter_page_program(std::uint8_t at, std::uint32_t bytes);
protocol::BusProgram status_program();
protocol::BusProgram unique_id_program(std::uint32_t bytes);
// One whole raw page, page + spare, the plain way: 00h-30h, or 00h with the small-page rules.
protocol::BusProgram read_page_program(const Geometry& geometry);

}  // namespace steadycell::chip
