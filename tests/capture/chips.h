#pragma once
#include <random>

#include "board/bench.h"
#include "capture/identify.h"

// Simulated chips and the way to them, for tests of identifying and reading.
namespace steadycell::capture::testing {

using board::testing::run;
using board::testing::with_board;

inline constexpr std::uint32_t kBlocks = 8;  // that hold data; the ID promises more, which read as FF

inline Bytes random_content(const Geometry& g, std::uint32_t blocks, std::uint32_t seed) {
  std::mt19937 random(seed);
  Bytes content(g.block_raw_bytes() * blocks * g.luns);
  for (std::uint8_t& byte : content) byte = static_cast<std::uint8_t>(random());
  return content;
}

inline Geometry large_page() {  // as EC DC 10 95 54 says, but for the number of blocks that hold something
  return {.page_bytes = 2048, .spare_bytes = 64, .pages_per_block = 64, .blocks = kBlocks, .luns = 1, .planes = 2};
}

inline Geometry small_page() {  // as EC 75 says, but for the number of blocks
  return {.page_bytes = 512,
          .spare_bytes = 16,
          .pages_per_block = 32,
          .blocks = kBlocks,
          .luns = 1,
          .planes = 1,
          .bits_per_cell = 1,
          .bus_bits = 8,
          .column_cycles = 1,
          .row_cycles = 2};
}

inline simbench::Fixture chip_of(std::string_view id, const Geometry& g, std::uint32_t seed = 1) {
  simbench::Fixture fixture;
  fixture.seed = 7;
  fixture.chip.emplace();
  simbench::TargetFixture target;
  target.id_bytes = parse_hex(id).value();
  target.geometry = g;
  target.content = simbench::Content::of(random_content(g, kBlocks, seed));
  fixture.chip->targets.push_back(target);
  return fixture;
}
inline simbench::Fixture slc_chip(std::uint32_t seed = 1) { return chip_of("EC DC 10 95 54", large_page(), seed); }
inline simbench::Fixture low_voltage_chip() {
  simbench::Fixture fixture = chip_of("AD AC 90 15 54", large_page());
  fixture.chip->supply_mv = 1800;
  return fixture;
}

// A board that says it cannot measure contacts.
inline void hide_contacts(simbench::SimSession& session) {
  constexpr std::size_t kCapabilities = 32;  // in the payload of the answer to HELLO
  session.board().faults().on_frame(
      simbench::forge_payload(SCP_HELLO | SCP_ANSWER, 0, kCapabilities, {SCP_CAN_SOCKET | SCP_CAN_PORT | SCP_CAN_X16, 0, 0, 0}));
}

}  // namespace steadycell::capture::testing
