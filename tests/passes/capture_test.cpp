#include "passes/capture.h"

#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <random>

#include "files/atomic.h"

namespace steadycell::passes {
namespace {

Geometry small_chip() {
  Geometry g;
  g.page_bytes = 512;
  g.spare_bytes = 16;
  g.pages_per_block = 4;
  g.blocks = 8;
  return g;
}

CaptureHead small_head() {
  CaptureHead head;
  head.uuid = make_uuid();
  head.board_uuid = make_uuid();
  head.geometry = small_chip();
  head.targets.push_back({.target = 0, .id_bytes = {0xEC, 0x76, 0xA5, 0xC0}, .parameter_page = {}, .maker = "Samsung", .model = "", .source = "id"});
  head.supply_mV = 3300;
  head.timing = "mode 0";
  head.tool = "test";
  return head;
}

class Capture : public ::testing::Test {
 protected:
  void SetUp() override {
    folder_ = (std::filesystem::temp_directory_path() / ("steadycell-passes-" + make_uuid())).string();
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }

  static Bytes block_content(std::uint32_t block, std::uint32_t pass, double flip = 0) {
    Bytes raw(small_chip().block_raw_bytes());
    std::mt19937 content(block + 1), noise(block * 1000 + pass);
    for (auto& byte : raw) byte = static_cast<std::uint8_t>(content());
    for (std::size_t bit = 0; bit < raw.size() * 8; ++bit)
      if (static_cast<double>(noise()) < flip * 4294967296.0) raw[bit / 8] = static_cast<std::uint8_t>(raw[bit / 8] ^ (1u << bit % 8));
    return raw;
  }
  static UnitAddress unit(std::uint32_t block, std::uint32_t pass) { return {{0, 0}, {block}, pass}; }

  std::string folder_;
  std::vector<PageStatus> all_read_{4, PageStatus::read};
};

TEST_F(Capture, EveryPassComesBackBitForBit) {
  {
    auto writer = CaptureWriter::create(files::posix(), folder_, small_head());
    ASSERT_TRUE(writer) << writer.error().text();
    for (std::uint32_t pass = 1; pass <= 3; ++pass)
      for (std::uint32_t block = 0; block < 8; ++block)
        ASSERT_TRUE(writer->append_unit(unit(block, pass), block_content(block, pass, pass == 1 ? 0 : 1e-3), all_read_));
    ASSERT_TRUE(writer->seal_pass(1));
    EXPECT_EQ(writer->acknowledged(), 24u);
  }
  auto reader = CaptureReader::open(files::posix(), folder_);
  ASSERT_TRUE(reader) << reader.error().text();
  EXPECT_TRUE(reader->contents().chain_whole);
  EXPECT_EQ(reader->contents().sealed_passes, std::vector<std::uint32_t>{1});
  Bytes raw(small_chip().block_raw_bytes());
  std::vector<PageStatus> status(4);
  for (std::uint32_t pass = 1; pass <= 3; ++pass)
    for (std::uint32_t block = 0; block < 8; ++block) {
      const auto got = reader->read_unit(unit(block, pass), raw, status);
      ASSERT_TRUE(got) << got.error().text();
      EXPECT_EQ(raw, block_content(block, pass, pass == 1 ? 0 : 1e-3)) << block << " " << pass;
    }
}

TEST_F(Capture, PagesThatWereNotReadStayMarked) {
  const std::vector<PageStatus> status{PageStatus::read, PageStatus::transfer_error, PageStatus::read, PageStatus::ready_timeout};
  {
    auto writer = CaptureWriter::create(files::posix(), folder_, small_head());
    ASSERT_TRUE(writer->append_unit(unit(2, 1), block_content(2, 1), status));
    ASSERT_TRUE(writer->sync());
  }
  auto reader = CaptureReader::open(files::posix(), folder_);
  Bytes raw(small_chip().block_raw_bytes());
  std::vector<PageStatus> got(4);
  ASSERT_TRUE(reader->read_unit(unit(2, 1), raw, got));
  EXPECT_EQ(got, status);
}

TEST_F(Capture, JournalCutAtEveryByteKeepsEveryUnitBeforeTheCut) {
  {
    auto writer = CaptureWriter::create(files::posix(), folder_, small_head());
    for (std::uint32_t block = 0; block < 3; ++block) ASSERT_TRUE(writer->append_unit(unit(block, 1), block_content(block, 1), all_read_));
    ASSERT_TRUE(writer->sync());
  }
  const std::string journal = folder_ + "/journal";
  const Bytes whole = *files::read_whole(files::posix(), journal, 1 << 20);
  std::uint64_t last_count = 0;
  for (std::size_t cut = 0; cut <= whole.size(); ++cut) {
    std::ofstream(journal, std::ios::binary | std::ios::trunc).write(reinterpret_cast<const char*>(whole.data()), static_cast<std::streamsize>(cut));
    auto reader = CaptureReader::open(files::posix(), folder_);
    ASSERT_TRUE(reader) << cut << ": " << reader.error().text();
    EXPECT_TRUE(reader->contents().damages.empty()) << cut;
    EXPECT_GE(reader->units().count(), last_count) << cut;
    last_count = reader->units().count();
  }
  EXPECT_EQ(last_count, 3u);
}

TEST_F(Capture, AFlippedByteInsideTheJournalIsPlacedAndTheRestIsStillRead) {
  {
    auto writer = CaptureWriter::create(files::posix(), folder_, small_head());
    for (std::uint32_t block = 0; block < 4; ++block) ASSERT_TRUE(writer->append_unit(unit(block, 1), block_content(block, 1), all_read_));
    ASSERT_TRUE(writer->sync());
  }
  const std::string journal = folder_ + "/journal";
  const Bytes whole = *files::read_whole(files::posix(), journal, 1 << 20);
  for (std::size_t at = 0; at < whole.size(); at += 7) {
    Bytes broken = whole;
    broken[at] ^= 0x10;
    std::ofstream(journal, std::ios::binary | std::ios::trunc).write(reinterpret_cast<const char*>(broken.data()), static_cast<std::streamsize>(broken.size()));
    auto reader = CaptureReader::open(files::posix(), folder_);
    ASSERT_TRUE(reader) << at << ": " << reader.error().text();
    const Contents& contents = reader->contents();
    ASSERT_TRUE(!contents.damages.empty() || contents.torn_bytes > 0) << at;
    if (!contents.damages.empty()) {
      EXPECT_LE(contents.damages[0].offset, at);
      EXPECT_GT(contents.damages[0].offset + contents.damages[0].bytes, at);
      EXPECT_FALSE(contents.chain_whole);
    }
    EXPECT_GE(contents.units.count(), 3u) << at;
  }
}

TEST_F(Capture, UnitsWhoseBytesAPowerCutTookAreDroppedOnGoingOn) {
  {
    auto writer = CaptureWriter::create(files::posix(), folder_, small_head());
    ASSERT_TRUE(writer->append_unit(unit(0, 1), block_content(0, 1), all_read_));
    ASSERT_TRUE(writer->sync());
    ASSERT_TRUE(writer->append_unit(unit(1, 1), block_content(1, 1), all_read_));
    ASSERT_TRUE(writer->append_unit(unit(2, 1), block_content(2, 1), all_read_));
  }
  // The journal reached the medium, the last block's bytes did not.
  std::filesystem::resize_file(folder_ + "/pass-0001.dat", 2 * small_chip().block_raw_bytes() + 100);
  auto writer = CaptureWriter::open(files::posix(), folder_);
  ASSERT_TRUE(writer) << writer.error().text();
  EXPECT_TRUE(writer->units().has(unit(1, 1)));
  EXPECT_FALSE(writer->units().has(unit(2, 1)));
  ASSERT_TRUE(writer->append_unit(unit(2, 1), block_content(2, 1), all_read_));
  ASSERT_TRUE(writer->sync());
  auto reader = CaptureReader::open(files::posix(), folder_);
  EXPECT_TRUE(reader->contents().chain_whole);
  Bytes raw(small_chip().block_raw_bytes());
  std::vector<PageStatus> status(4);
  ASSERT_TRUE(reader->read_unit(unit(2, 1), raw, status));
  EXPECT_EQ(raw, block_content(2, 1));
}

TEST_F(Capture, ASecondWriterIsRefusedWhileTheFirstLives) {
  auto writer = CaptureWriter::create(files::posix(), folder_, small_head());
  ASSERT_TRUE(writer);
  const auto second = CaptureWriter::open(files::posix(), folder_);
  ASSERT_FALSE(second);
  EXPECT_EQ(second.error().code(), ErrorCode::in_use);
}

TEST_F(Capture, IsNeverMadeOverSomethingThatExists) {
  std::filesystem::create_directory(folder_);
  const auto writer = CaptureWriter::create(files::posix(), folder_, small_head());
  ASSERT_FALSE(writer);
  EXPECT_EQ(writer.error().code(), ErrorCode::already_exists);
}

TEST_F(Capture, LaterPassesCostLittle) {
  auto writer = CaptureWriter::create(files::posix(), folder_, small_head());
  for (std::uint32_t pass = 1; pass <= 2; ++pass)
    for (std::uint32_t block = 0; block < 8; ++block)
      ASSERT_TRUE(writer->append_unit(unit(block, pass), block_content(block, pass, pass == 1 ? 0 : 1e-4), all_read_));
  ASSERT_TRUE(writer->sync());
  const auto first = std::filesystem::file_size(folder_ + "/pass-0001.dat"), second = std::filesystem::file_size(folder_ + "/pass-0002.dat");
  EXPECT_LT(static_cast<double>(second), 0.02 * static_cast<double>(first));  // tiny blocks: the frame header weighs
}

TEST_F(Capture, HostileHeadsAreRefusedWithTheKey) {
  const std::string good = head_text(small_head());
  EXPECT_TRUE(parse_head(good));
  const auto with = [&](std::string from, std::string to) {
    std::string text = good;
    text.replace(text.find(from), from.size(), to);
    return parse_head(text);
  };
  for (const auto& [from, to] : {std::pair{"\"blocks\": 8", "\"blocks\": 4294967296"}, {"\"page_bytes\": 512", "\"page_bytes\": 0"},
                                 {"\"luns\": 1", "\"luns\": 17"}, {"\"pages_per_block\": 4", "\"pages_per_block\": -1"},
                                 {"\"uuid\"", "\"uuuid\""}, {"steadycell-capture/1", "something-else/1"}})
    EXPECT_FALSE(with(from, to)) << to;
  const auto newer = with("steadycell-capture/1", "steadycell-capture/2");
  ASSERT_FALSE(newer);
  EXPECT_EQ(newer.error().code(), ErrorCode::version_unknown);
}

}  // namespace
}  // namespace steadycell::passes
