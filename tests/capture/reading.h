#pragma once
#include "capture/read.h"
#include "chips.h"
#include "files/memory_disk.h"
#include "passes/capture.h"

// A chip read into a capture in memory, and what that holds.
namespace steadycell::capture::testing {

using passes::PageStatus;

inline ReadOptions options_for(std::uint32_t passes, std::uint32_t last_block = kBlocks - 1) {
  ReadOptions options;
  options.folder = "capture";
  options.passes = passes;
  options.blocks = NumberRange{0, last_block};
  options.consent = Millivolts(3300);
  options.tool = "test";
  return options;
}

inline Result<ReadResult> read(simbench::SimSession& session, files::FileSystem& disk, ReadOptions options,
                        const std::atomic<bool>* stop = nullptr) {
  Result<ReadResult> out = failure(ErrorCode::internal, "did not run");
  with_board(
      session, [&](board::BoardClient& board) -> asio::awaitable<void> {
        out = co_await read_chip(board, disk, std::move(options));
        if (!board.lost()) {
          EXPECT_LT(session.board().socket_mv(), 100u);
        }
      },
      stop);
  session.reconnect();
  return out;
}

struct Unit {
  Bytes raw;
  std::vector<PageStatus> status;
};
inline Unit unit_of(files::FileSystem& disk, UnitAddress address) {
  auto reader = passes::CaptureReader::open(disk, "capture");
  Unit unit;
  if (!reader) {
    ADD_FAILURE() << reader.error().text();
    return unit;
  }
  unit.raw.resize(reader->head().geometry.block_raw_bytes());
  unit.status.resize(reader->head().geometry.pages_per_block);
  const auto got = reader->read_unit(address, unit.raw, unit.status);
  EXPECT_TRUE(got) << got.error().text();
  return unit;
}
inline UnitAddress at(std::uint32_t block, std::uint32_t pass, UnitPlace place = {}) { return {place, {block}, pass}; }

// The stored bytes of one block, from the fixture.
inline Bytes block_of(const simbench::Fixture& fixture, std::uint32_t block, UnitPlace place = {}) {
  const simbench::TargetFixture& target = fixture.chip->targets[place.target];
  Bytes raw(target.geometry.block_raw_bytes());
  target.content->copy((std::uint64_t{place.lun} * target.geometry.blocks + block) * raw.size(), raw);
  return raw;
}

inline void expect_untouched(simbench::SimSession& session) {
  for (const simbench::Violation& v : session.board().violations()) ADD_FAILURE() << v.text;
  EXPECT_FALSE(session.board().bus_record().wp_was_high);
}

inline bool mentions(const std::vector<std::string>& notes, std::string_view text) {
  return std::any_of(notes.begin(), notes.end(), [&](const std::string& note) { return note.find(text) != std::string::npos; });
}

inline simbench::Fixture weak_chip() {
  simbench::Fixture fixture = slc_chip();
  fixture.chip->cells.marginal_fraction = 1e-3;
  fixture.chip->cells.flip_low = 0.1;
  fixture.chip->cells.flip_high = 0.5;
  return fixture;
}

}  // namespace steadycell::capture::testing
