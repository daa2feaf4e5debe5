#pragma once
#include <gtest/gtest.h>
#include <zlib.h>

#include <filesystem>
#include <fstream>
#include <random>
#include <string>
#include <vector>

#include "base/json.h"
#include "files/atomic.h"
#include "image/verdict.h"
#include "passes/capture.h"
#include "settle/settle.h"

// Captures of invented and kernel-written chips, and what was settled from them.
namespace steadycell::settle {

using passes::PageStatus;

inline Geometry small_chip() {
  Geometry geometry;
  geometry.page_bytes = 512;
  geometry.spare_bytes = 16;
  geometry.pages_per_block = 4;
  geometry.blocks = 8;
  return geometry;
}

// One block of large pages.
inline Geometry large_block(std::uint32_t pages) {
  Geometry geometry;
  geometry.page_bytes = 16384;
  geometry.spare_bytes = 1280;
  geometry.pages_per_block = pages;
  geometry.blocks = 1;
  return geometry;
}

inline Geometry kernel_chip(std::uint32_t blocks) {
  Geometry geometry;
  geometry.page_bytes = 2048;
  geometry.spare_bytes = 64;
  geometry.pages_per_block = 64;
  geometry.blocks = blocks;
  return geometry;
}

inline Bytes random_bytes(std::size_t size, std::uint64_t seed) {
  std::mt19937_64 random(seed);
  Bytes bytes(size);
  for (std::uint8_t& byte : bytes) byte = static_cast<std::uint8_t>(random());
  return bytes;
}

inline void flip(Bytes& bytes, std::size_t bit) {
  bytes[bit / 8] = static_cast<std::uint8_t>(bytes[bit / 8] ^ (1U << (bit % 8)));
}

// Flips each bit with chance p.
inline Bytes with_flips(Bytes bytes, double p, std::uint64_t seed) {
  std::mt19937_64 random(seed);
  std::geometric_distribution<std::size_t> gap(p);
  for (std::size_t bit = gap(random); bit < bytes.size() * 8; bit += 1 + gap(random)) flip(bytes, bit);
  return bytes;
}

inline std::size_t differing_bits(ByteSpan a, ByteSpan b) {
  std::size_t bits = 0;
  for (std::size_t at = 0; at < a.size(); ++at) {
    bits += static_cast<std::size_t>(std::popcount(static_cast<std::uint8_t>(a[at] ^ b[at])));
  }
  return bits;
}

// tests/data/kernel-nand/NAME, gunzipped.
inline Bytes kernel_vector(const std::string& name) {
  const std::string path = std::string(STEADYCELL_TEST_DATA) + "/kernel-nand/" + name;
  gzFile file = gzopen(path.c_str(), "rb");  // reads plain files as they are
  EXPECT_NE(file, nullptr) << path;
  Bytes bytes, piece(1 << 16);
  for (int got = 0; file != nullptr && (got = gzread(file, piece.data(), static_cast<unsigned>(piece.size()))) > 0;) {
    bytes.insert(bytes.end(), piece.begin(), piece.begin() + got);
  }
  if (file != nullptr) gzclose(file);
  return bytes;
}

// The scheme of the kernel's software BCH in a 2048 + 64 byte page: four steps, code bytes at the end of the spare.
inline json::Value kernel_bch(unsigned t, std::uint32_t code_bytes, const std::string& mask) {
  json::Array steps;
  for (std::uint32_t step = 0; step < 4; ++step) {
    steps.push_back(json::Object{{"data", json::Array{json::Value(json::Array{step * 512, 512})}},
                                 {"code", json::Array{json::Value(json::Array{2112 - (4 - step) * code_bytes, code_bytes})}}});
  }
  return json::Object{{"schema", "steadycell-ecc/1"}, {"code", "bch"},       {"m", 13},
                      {"t", t},                       {"polynomial", "0x201b"}, {"bit_order", "msb_first"},
                      {"page_bytes", 2048},           {"spare_bytes", 64},   {"steps", std::move(steps)},
                      {"mask", mask},                 {"erased", "codeword"}};
}
inline json::Value kernel_bch4() { return kernel_bch(4, 7, "2813cc3996ac7f"); }
inline json::Value kernel_bch8() { return kernel_bch(8, 13, "ef512e09ed939ac29779e524b5"); }

inline json::Value kernel_hamming() {
  json::Array steps;
  for (std::uint32_t step = 0; step < 8; ++step) {
    steps.push_back(json::Object{{"data", json::Array{json::Value(json::Array{step * 256, 256})}},
                                 {"code", json::Array{json::Value(json::Array{2048 + 40 + step * 3, 3})}}});
  }
  return json::Object{{"schema", "steadycell-ecc/1"}, {"code", "hamming"}, {"order", "high_line_first"},
                      {"bit_order", "msb_first"},     {"page_bytes", 2048}, {"spare_bytes", 64},
                      {"steps", std::move(steps)},    {"mask", nullptr},    {"erased", "codeword"}};
}

class SettleTest : public ::testing::Test {
 protected:
  void SetUp() override {
    folder_ = (std::filesystem::temp_directory_path() / ("steadycell-settle-" + passes::make_uuid())).string();
    std::filesystem::create_directory(folder_);
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }

  std::string path(const std::string& name) const { return folder_ + "/" + name; }

  // A capture to add units to.
  passes::CaptureWriter new_capture(const Geometry& geometry, std::uint8_t targets = 1) const {
    passes::CaptureHead head;
    head.uuid = passes::make_uuid();
    head.board_uuid = passes::make_uuid();
    head.geometry = geometry;
    for (std::uint8_t target = 0; target < targets; ++target) {
      head.targets.push_back({.target = target, .id_bytes = {0xEC, 0xDC}, .parameter_page = {}, .maker = "", .model = "", .source = "id"});
    }
    head.supply_mV = 3300;
    head.timing = "mode 0";
    head.tool = "test";
    auto writer = passes::CaptureWriter::create(files::posix(), path("capture"), head);
    EXPECT_TRUE(writer) << writer.error().text();
    return std::move(*writer);
  }

  // Reads of a whole chip, block after block; each is one pass.
  void capture_of(const Geometry& geometry, const std::vector<Bytes>& reads) const {
    passes::CaptureWriter writer = new_capture(geometry);
    const std::vector<PageStatus> all(geometry.pages_per_block, PageStatus::read);
    for (std::uint32_t pass = 1; pass <= reads.size(); ++pass) {
      for (std::uint32_t block = 0; block < geometry.blocks; ++block) {
        const ByteSpan unit = ByteSpan(reads[pass - 1]).subspan(block * geometry.block_raw_bytes(), geometry.block_raw_bytes());
        const auto added = writer.append_unit({{}, {block}, pass}, unit, all);
        ASSERT_TRUE(added) << added.error().text();
      }
      ASSERT_TRUE(writer.seal_pass(pass));
    }
  }

  Request request(std::optional<json::Value> scheme = std::nullopt) const {
    return {.capture = path("capture"), .image = path("image"), .scheme = std::move(scheme), .version = "0.1.0", .build = "test"};
  }
  Summary settled(std::optional<json::Value> scheme = std::nullopt) const {
    auto summary = settle(files::posix(), request(std::move(scheme)));
    EXPECT_TRUE(summary) << summary.error().text();
    return summary ? std::move(*summary) : Summary{};
  }

  Bytes file(const std::string& name) const {
    auto bytes = files::read_whole(files::posix(), path(name), std::uint64_t{1} << 30);
    EXPECT_TRUE(bytes) << bytes.error().text();
    return bytes ? std::move(*bytes) : Bytes{};
  }
  void overwrite(const std::string& name, ByteSpan bytes) const {
    std::ofstream out(path(name), std::ios::binary | std::ios::trunc);
    out.write(reinterpret_cast<const char*>(bytes.data()), static_cast<std::streamsize>(bytes.size()));
  }
  std::vector<image::PageVerdict> verdicts() const {
    std::vector<image::PageVerdict> rows;
    image::VerdictParser parser;
    const Bytes text = file("image/verdicts.csv");
    const auto take = [&](const image::PageVerdict& row) -> Result<void> {
      rows.push_back(row);
      return {};
    };
    const auto fed = parser.feed(as_text(text), take);
    EXPECT_TRUE(fed) << fed.error().text();
    EXPECT_TRUE(parser.finish(take));
    return rows;
  }

  // Nothing under this name, complete or not.
  bool left_nothing(const std::string& name) const {
    for (const auto& entry : std::filesystem::directory_iterator(folder_)) {
      if (entry.path().filename().string().starts_with(name)) return false;
    }
    return true;
  }

  std::string folder_;
};

}  // namespace steadycell::settle
