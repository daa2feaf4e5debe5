#pragma once
#include <boost/asio/awaitable.hpp>
#include <map>
#include <string>
#include <vector>

#include "board/client.h"
#include "capture/identify.h"
#include "chip/bus.h"

// What a chip must show before its first pass is read. Not for other rooms.
namespace steadycell::capture {

struct Proven {
  protocol::BusProgram page_program;  // one raw page
  chip::WaitFor wait = chip::WaitFor::ready_pin;
  std::uint8_t timing_mode = 0;       // the board's bus is set to it
  std::uint32_t sample_reads = 0;     // page reads that it cost, of each page of the sample
  board::RowRange sample_rows;        // on each target
  std::vector<std::string> notes;
};

// On each target: status bit 7 shows WP# low (write_protect); R/B# goes low and high again, else the status register is
// polled instead (proof_failed on small-page parts, chip_busy when the status says busy as well); every I/O lane shows
// both levels over ID, parameter page, status and the first pages of block `first` (a lane that does not is a note). Then
// the bus is sped up to `fastest` when ID and pages read the same there, else it stays at mode 0, with a note.
asio::awaitable<Result<Proven>> prove(board::BoardClient& board, const Found& found, BlockAddress first, std::uint8_t fastest);

}  // namespace steadycell::capture
