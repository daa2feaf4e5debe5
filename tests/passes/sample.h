#pragma once
#include <bit>
#include <random>

#include "passes/capture.h"

// Invented chips for the tests of captures.
namespace steadycell::passes {

inline Geometry small_chip() {
  Geometry g;
  g.page_bytes = 512;
  g.spare_bytes = 16;
  g.pages_per_block = 4;
  g.blocks = 8;
  return g;
}

inline CaptureHead small_head(const Geometry& geometry = small_chip()) {
  CaptureHead head;
  head.uuid = "00000000-0000-4000-8000-000000000001";
  head.board_uuid = "00000000-0000-4000-8000-000000000002";
  head.geometry = geometry;
  head.targets.push_back(
      {.target = 0, .id_bytes = {0xEC, 0x76, 0xA5, 0xC0}, .parameter_page = {}, .maker = "Invented", .model = "", .source = "id"});
  head.supply_mV = 3300;
  head.timing = "mode 0";
  head.tool = "test";
  return head;
}

inline UnitAddress unit(std::uint32_t block, std::uint32_t pass) { return {{0, 0}, {block}, pass}; }

// Random bytes of the block, the same in every pass, each bit flipped with chance `flip` by pass.
inline Bytes block_content(const Geometry& geometry, std::uint32_t block, std::uint32_t pass, double flip = 0) {
  Bytes raw(geometry.block_raw_bytes());
  std::mt19937 content(block + 1), noise(block * 1000 + pass);
  for (auto& byte : raw) byte = static_cast<std::uint8_t>(content());
  if (flip <= 0) return raw;
  std::geometric_distribution<std::size_t> gap(flip);
  for (std::size_t bit = gap(noise); bit < raw.size() * 8; bit += 1 + gap(noise))
    raw[bit / 8] = static_cast<std::uint8_t>(raw[bit / 8] ^ (1u << bit % 8));
  return raw;
}

// Stands still until told.
class StillClock final : public Clock {
 public:
  std::uint64_t now_ns = 1'000'000'000;
  std::uint64_t monotonic_ns() const override { return now_ns; }
  std::string wall_time() const override { return "2026-01-02T03:04:05Z"; }
};

}  // namespace steadycell::passes
