// The captures in tests/data/capture-v1, capture-v1-difference-hashes and capture-v2 stay readable for ever: the same capture, without
// and with a hash of the difference that pass 2 is stored as, and with a list of changes for it. docs/capture.md takes its example from
// the first.
#include <gtest/gtest.h>
#include <zstd.h>

#include <filesystem>
#include <fstream>
#include <regex>
#include <sstream>

#include "files/atomic.h"
#include "files/memory_disk.h"
#include "passes/sample.h"

namespace steadycell::passes {
namespace {

const std::string kGolden = std::string(STEADYCELL_TEST_DATA) + "/capture-v1", kHashed = kGolden + "-difference-hashes",
                  kOfToday = std::string(STEADYCELL_TEST_DATA) + "/capture-v2";
constexpr unsigned kGoldenZstd = 10504;  // the library that wrote it: other versions may pack differently, and must unpack alike

Geometry golden_chip() {
  Geometry g = small_chip();
  g.pages_per_block = 2;
  g.blocks = 2;
  return g;
}

// Pass 1 counts; pass 2 has three bits of block 0 flipped; block 1 is not read in pass 2, and its second page timed out in pass 1.
Bytes golden_bytes(std::uint32_t block, std::uint32_t pass) {
  Bytes raw(golden_chip().block_raw_bytes());
  for (std::size_t i = 0; i < raw.size(); ++i) raw[i] = static_cast<std::uint8_t>(i * 7 + i / 256 * 13 + block * 101);
  if (pass == 2)
    for (const std::size_t at : {5u, 600u, 1000u}) raw[at] ^= 0x08;
  return raw;
}
const std::vector<PageStatus> kGoldenStatus[] = {{PageStatus::read, PageStatus::read}, {PageStatus::read, PageStatus::ready_timeout}};

void write_golden(files::FileSystem& disk, const std::string& folder) {
  StillClock clock;
  auto writer = CaptureWriter::create(disk, folder, small_head(golden_chip()), {.tool = "steadycell 0.1.0", .clock = &clock});
  ASSERT_TRUE(writer) << writer.error().text();
  ASSERT_TRUE(writer->note({{"event", "power-up"}, {"supply_mV", 3300}, {"wp", "low"}}));
  ASSERT_TRUE(writer->append_unit(unit(0, 1), golden_bytes(0, 1), kGoldenStatus[0]));
  ASSERT_TRUE(writer->append_unit(unit(1, 1), golden_bytes(1, 1), kGoldenStatus[1], {.repeated_page_reads = 3, .busy_not_seen = {{0, 1}}}));
  ASSERT_TRUE(writer->seal_pass(1));
  ASSERT_TRUE(writer->append_unit(unit(0, 2), golden_bytes(0, 2), kGoldenStatus[0]));
  ASSERT_TRUE(writer->finish({{"why", "example"}}));
}

Bytes golden_file(const std::string& folder, const std::string& name) {
  auto bytes = files::read_whole(files::posix(), folder + "/" + name, 1 << 20);
  EXPECT_TRUE(bytes) << bytes.error().text();
  return bytes ? *bytes : Bytes{};
}

class GoldenCaptures : public ::testing::TestWithParam<std::string> {};

INSTANTIATE_TEST_SUITE_P(OfEachForm, GoldenCaptures, ::testing::Values(kGolden, kHashed, kOfToday), [](const auto& which) {
  return std::string(which.param == kGolden ? "first" : which.param == kHashed ? "with_difference_hashes" : "with_changes");
});

TEST_P(GoldenCaptures, AreReadForEver) {
  auto reader = CaptureReader::open(files::posix(), GetParam());
  ASSERT_TRUE(reader) << reader.error().text();
  const Contents& contents = reader->contents();
  EXPECT_EQ(reader->head().uuid, "00000000-0000-4000-8000-000000000001");
  EXPECT_EQ(reader->head().geometry, golden_chip());
  EXPECT_EQ(reader->head().targets[0].id_bytes, (Bytes{0xEC, 0x76, 0xA5, 0xC0}));
  EXPECT_TRUE(contents.damages.empty());
  EXPECT_TRUE(contents.chain_whole);
  EXPECT_TRUE(contents.closed);
  EXPECT_EQ(contents.torn_bytes, 0u);
  EXPECT_EQ(contents.sealed_passes, std::vector<std::uint32_t>{1});
  EXPECT_EQ(reader->units().count(), 3u);
  Bytes raw(golden_chip().block_raw_bytes());
  std::vector<PageStatus> status(2);
  for (const auto& [block, pass] : {std::pair{0u, 1u}, {1u, 1u}, {0u, 2u}}) {
    const auto read = reader->read_unit(unit(block, pass), raw, status);
    ASSERT_TRUE(read) << read.error().text();
    EXPECT_EQ(raw, golden_bytes(block, pass));
    EXPECT_EQ(status, kGoldenStatus[block]);
  }
  EXPECT_EQ(reader->facts(unit(0, 2))->codec, GetParam() == kOfToday ? Codec::changes : Codec::difference);
  EXPECT_EQ(*reader->page_reads({0, 0}), (std::vector<std::uint64_t>{4, 5}));
}

// The writer of today writes the same bytes: nobody changes the format without seeing it here.
TEST(GoldenCapture, IsWrittenTheSameToday) {
  files::MemoryDisk disk;
  write_golden(disk, "c");
  const bool same_library = ZSTD_versionNumber() == kGoldenZstd;
  for (const std::string name : {"capture.json", "journal", "pass-0001.dat", "pass-0002.dat"}) {
    if (!same_library && (name == "journal" || name == "pass-0002.dat")) continue;
    EXPECT_EQ(disk.content("c/" + name), golden_file(kOfToday, name)) << name;
  }
}

// Not a test: writes the files anew when asked to, for a new version of the format beside this one.
TEST(GoldenCapture, CanBeWrittenOnRequest) {
  const char* const folder = std::getenv("STEADYCELL_WRITE_GOLDEN");
  if (!folder) GTEST_SKIP() << "set STEADYCELL_WRITE_GOLDEN to a new folder";
  write_golden(files::posix(), folder);
}

// Lines "00000040  7b 22 ...  text" of the page are bytes of the golden journal.
TEST(GoldenCapture, TheExampleInTheDocumentIsTrue) {
  std::ifstream page(std::string(STEADYCELL_SOURCE_DIR) + "/docs/capture.md");
  ASSERT_TRUE(page);
  const Bytes journal = golden_file(kGolden, "journal");
  const std::regex line_of_bytes(R"(^([0-9a-f]{8})((?: [0-9a-f]{2})+)(?:  .*)?$)");
  unsigned lines = 0;
  for (std::string line; std::getline(page, line);) {
    std::smatch found;
    if (!std::regex_match(line, found, line_of_bytes)) continue;
    ++lines;
    const auto bytes = parse_hex(found[2].str());
    ASSERT_TRUE(bytes) << line;
    const std::size_t at = std::stoul(found[1].str(), nullptr, 16);
    ASSERT_LE(at + bytes->size(), journal.size()) << line;
    EXPECT_TRUE(std::equal(bytes->begin(), bytes->end(), journal.begin() + static_cast<std::ptrdiff_t>(at))) << line;
  }
  EXPECT_GE(lines, 6u);
}

}  // namespace
}  // namespace steadycell::passes
