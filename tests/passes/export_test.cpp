#include "passes/export.h"

#include <gtest/gtest.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>
#include <iterator>

#include "sample.h"

namespace steadycell::passes {
namespace {

class Export : public testing::Test {
 protected:
  void SetUp() override {
    folder_ = testing::TempDir() + "/export-" + std::to_string(::getpid());
    std::filesystem::remove_all(folder_);
    auto writer = CaptureWriter::create(files::posix(), folder_, small_head());
    ASSERT_TRUE(writer) << writer.error().text();
    for (const std::uint32_t pass : {1u, 2u})
      for (std::uint32_t block = 0; block < 8; ++block) {
        if (!held(block, pass)) continue;
        ASSERT_TRUE(writer->append_unit(unit(block, pass), content(block, pass), block == 5 ? one_lost_ : all_read_));
      }
    ASSERT_TRUE(writer->sync());
  }
  void TearDown() override {
    std::filesystem::remove_all(folder_);
    std::filesystem::remove(to());
  }

  static bool held(std::uint32_t block, std::uint32_t pass) { return pass == 1 || (block != 0 && block != 3); }
  static Bytes content(std::uint32_t block, std::uint32_t pass) { return block_content(small_chip(), block, pass, 1e-3); }
  std::string to() const { return folder_ + ".bin"; }
  static Bytes file_bytes(const std::string& path) {
    std::ifstream in(path, std::ios::binary);
    return {std::istreambuf_iterator<char>(in), {}};
  }
  void damage_pass(std::uint32_t pass) const {
    std::fstream file(folder_ + "/pass-000" + std::to_string(pass) + ".dat", std::ios::binary | std::ios::in | std::ios::out);
    file.seekg(10);
    const char was = static_cast<char>(file.get());
    file.seekp(10);
    file.put(static_cast<char>(was ^ 1));
  }

  std::string folder_;
  std::vector<PageStatus> all_read_{4, PageStatus::read};
  std::vector<PageStatus> one_lost_{PageStatus::read, PageStatus::transfer_error, PageStatus::read, PageStatus::read};
};

TEST_F(Export, APassComesOutBitForBitBlockAfterBlock) {
  for (const std::uint32_t pass : {1u, 2u}) {
    const auto exported = export_pass_to(files::posix(), folder_, pass, to());
    ASSERT_TRUE(exported) << exported.error().text();
    Bytes expected;
    for (std::uint32_t block = 0; block < 8; ++block) {
      if (!held(block, pass)) continue;
      const Bytes raw = content(block, pass);
      expected.insert(expected.end(), raw.begin(), raw.end());
    }
    EXPECT_EQ(file_bytes(to()), expected);
    EXPECT_EQ(exported->sha256, Sha256::of(expected));
    EXPECT_EQ(exported->bytes, expected.size());
    EXPECT_EQ(exported->pages_not_read, 1u);
    std::filesystem::remove(to());
  }
}

TEST_F(Export, CoverageTellsWhichBlocksTheBytesAre) {
  const auto exported = export_pass(files::posix(), folder_, 2, [](ByteSpan) { return Result<void>(); });
  ASSERT_TRUE(exported) << exported.error().text();
  ASSERT_EQ(exported->coverage.size(), 2u);
  EXPECT_EQ(exported->coverage[0].first.index, 1u);
  EXPECT_EQ(exported->coverage[0].count, 2u);
  EXPECT_EQ(exported->coverage[1].first.index, 4u);
  EXPECT_EQ(exported->coverage[1].count, 4u);
  ASSERT_EQ(exported->missing.size(), 1u);
  EXPECT_EQ(exported->missing[0].first.index, 3u);
  EXPECT_EQ(exported->missing[0].count, 1u);
  EXPECT_TRUE(exported->partial());
  EXPECT_EQ(exported->blocks, 6u);
  EXPECT_EQ(exported->pages, 24u);
}

TEST_F(Export, APassIsPartialUntilItIsSealedAndOnceTheJournalIsDamaged) {
  const auto exported = [&] { return export_pass(files::posix(), folder_, 1, [](ByteSpan) { return Result<void>(); }); };
  EXPECT_TRUE(exported()->partial()) << "not sealed";
  {
    auto writer = CaptureWriter::open(files::posix(), folder_);
    ASSERT_TRUE(writer->seal_pass(1));
    ASSERT_TRUE(writer->finish());
  }
  EXPECT_FALSE(exported()->partial());
  const std::uint64_t last = *CaptureReader::open(files::posix(), folder_)->units().record_of(unit(7, 1));
  std::fstream journal(folder_ + "/journal", std::ios::binary | std::ios::in | std::ios::out);
  journal.seekp(static_cast<std::streamoff>(last + 30));
  journal.put('\x01');
  journal.close();
  const auto damaged = exported();
  EXPECT_TRUE(damaged->missing.empty()) << "the last block leaves no gap";
  EXPECT_TRUE(damaged->partial());
}

TEST_F(Export, NothingIsMadeOfAPassThatIsNotThereOrDamaged) {
  const auto absent = export_pass_to(files::posix(), folder_, 3, to());
  ASSERT_FALSE(absent);
  EXPECT_EQ(absent.error().code(), ErrorCode::not_found);
  EXPECT_NE(absent.error().text().find("1 to 2"), std::string::npos) << absent.error().text();
  std::filesystem::copy(folder_, folder_ + "-empty", std::filesystem::copy_options::recursive);
  std::filesystem::resize_file(folder_ + "-empty/journal", 0);
  const auto empty = export_pass_to(files::posix(), folder_ + "-empty", 1, to());
  ASSERT_FALSE(empty);
  EXPECT_NE(empty.error().text().find("holds no unit of any pass"), std::string::npos) << empty.error().text();
  EXPECT_EQ(empty.error().text().find("1 to 0"), std::string::npos) << empty.error().text();
  std::filesystem::remove(folder_ + "-empty/journal");
  const auto gone = export_pass_to(files::posix(), folder_ + "-empty", 1, to());
  ASSERT_FALSE(gone);
  EXPECT_EQ(gone.error().code(), ErrorCode::file_damaged) << gone.error().text();
  std::filesystem::remove_all(folder_ + "-empty");
  damage_pass(1);
  const auto damaged = export_pass_to(files::posix(), folder_, 1, to());
  ASSERT_FALSE(damaged);
  EXPECT_EQ(damaged.error().code(), ErrorCode::file_damaged);
  EXPECT_FALSE(std::filesystem::exists(to()));
}

// Pass 2 is whole but for what it is the difference to: pass 1 is to be named, and its file.
TEST_F(Export, ADifferenceToADamagedPass1NamesThatFile) {
  damage_pass(1);  // in block 0, which pass 2 lacks; so block 1 as well
  std::fstream file(folder_ + "/pass-0001.dat", std::ios::binary | std::ios::in | std::ios::out);
  file.seekp(static_cast<std::streamoff>(small_chip().block_raw_bytes() + 10));
  file.put('\x01');
  file.close();
  const auto damaged = export_pass_to(files::posix(), folder_, 2, to());
  ASSERT_FALSE(damaged);
  EXPECT_EQ(damaged.error().code(), ErrorCode::file_damaged);
  EXPECT_NE(damaged.error().where().find("pass-0001.dat"), std::string::npos) << damaged.error().text();
  EXPECT_NE(damaged.error().what().find("pass 2: kept as the difference to pass 1, which is damaged"), std::string::npos)
      << damaged.error().text();
  std::filesystem::remove(folder_ + "/pass-0001.dat");
  const auto missing = export_pass_to(files::posix(), folder_, 2, to());
  EXPECT_NE(missing.error().what().find("pass 2: kept as the difference to pass 1, which is missing"), std::string::npos)
      << missing.error().text();
}

TEST_F(Export, AFileThatExistsStaysAndStopIsHeard) {
  std::ofstream(to()) << "mine";
  const auto exists = export_pass_to(files::posix(), folder_, 1, to());
  ASSERT_FALSE(exists);
  EXPECT_EQ(exists.error().code(), ErrorCode::already_exists);
  EXPECT_EQ(file_bytes(to()).size(), 4u);
  const std::atomic<bool> stop = true;
  const auto stopped = export_pass(files::posix(), folder_, 1, [](ByteSpan) { return Result<void>(); }, {.progress = {}, .stop = &stop});
  ASSERT_FALSE(stopped);
  EXPECT_EQ(stopped.error().code(), ErrorCode::interrupted);
}

}  // namespace
}  // namespace steadycell::passes
