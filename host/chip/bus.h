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

inline constexpr std::uint32_t kIdBytes = 8;
inline constexpr std::uint32_t kSignatureBytes = 6;        // "ONFI", "JEDEC", or their letters twice
inline constexpr std::uint32_t kParameterPageBytes = 4096;  // copies and extended page

// Longest time a page read may stay busy before that is a fault: ten times the part's own tR, since a worn chip takes
// longer than its data sheet says, from 1 ms to 10 ms (common practice, no source).
Microseconds read_limit(const Identification& what);
inline constexpr Microseconds kSlowestRead{10'000};  // while the part is not known

// How a program learns that an operation is done.
enum class WaitFor : std::uint8_t {
  ready_pin,  // R/B#
  status,     // bit 6 of the status register: when R/B# is not connected; not for the pages of small-page parts
};

// By the status register on small-page parts too: behind FFh there are no data to go back to.
protocol::BusProgram reset_program(WaitFor wait = WaitFor::ready_pin);
// READ ID at 00h, 20h or 40h.
protocol::BusProgram read_id_program(std::uint8_t at);
// All copies, from ECh 00h (ONFI) or 40h (JEDEC).
protocol::BusProgram parameter_page_program(std::uint8_t at, std::uint32_t bytes, WaitFor wait = WaitFor::ready_pin);
protocol::BusProgram status_program(std::uint32_t bytes);
// One whole raw page, page + spare, the plain way: 00h-30h, or 00h alone on small-page parts.
protocol::BusProgram read_page_program(const Geometry& geometry, Microseconds limit, WaitFor wait = WaitFor::ready_pin);

}  // namespace steadycell::chip
