#pragma once
#include <boost/asio/awaitable.hpp>
#include <vector>

#include "board/client.h"
#include "capture/identify.h"
#include "chip/bus.h"

// A few pages, read to look at and not to keep. Not for other rooms.
namespace steadycell::capture {

struct SamplePage {
  Bytes bytes;  // empty when it did not come whole
  bool busy_seen = true, timed_out = false, wp_high = false;
};

// Bus setup for reading pages of that geometry.
board::BusSetup bus_for(const Geometry& geometry, std::uint8_t timing_mode);

// In the order of the range.
asio::awaitable<Result<std::vector<SamplePage>>> read_sample(board::BoardClient& board, const protocol::BusProgram& program,
                                                             std::uint8_t target, board::RowRange rows);

// RESET, until R/B# says ready, or the status register where R/B# does not rise: which of the two told. chip_busy when
// neither does.
asio::awaitable<Result<chip::WaitFor>> reset_chip(board::BoardClient& board, std::uint8_t target);

// How alike two readings of the same pages are. Pages that are blank on both sides (nearly all ones or zeros) or did not
// come tell nothing and do not count.
struct Likeness {
  std::uint64_t pages = 0, bits = 0, differing = 0;
  double share() const { return bits == 0 ? 0 : static_cast<double>(differing) / static_cast<double>(bits); }
  void add(ByteSpan a, ByteSpan b);
};
// Weak cells waver in some per cent of the bits at the very most, pages of different data differ in a tenth to a half
// (common practice, no source).
inline constexpr double kDifferentData = 0.08;

}  // namespace steadycell::capture
