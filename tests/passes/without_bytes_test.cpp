#include "passes/without_bytes.h"

#include <gtest/gtest.h>
#include <unistd.h>

#include <filesystem>

#include "sample.h"

namespace steadycell::passes {
namespace {

namespace fs = std::filesystem;

class UnitsWithoutBytes : public testing::Test {
 protected:
  void SetUp() override {
    folder_ = testing::TempDir() + "/without-bytes-" + std::to_string(::getpid());
    fs::remove_all(folder_);
    auto writer = CaptureWriter::create(files::posix(), folder_, small_head());
    ASSERT_TRUE(writer) << writer.error().text();
    for (const std::uint32_t pass : {1u, 2u})
      for (std::uint32_t block = 0; block < 8; ++block)
        ASSERT_TRUE(writer->append_unit(unit(block, pass), block_content(small_chip(), block + 100 * pass, pass),
                                        std::vector<PageStatus>(4, PageStatus::read)));
    ASSERT_TRUE(writer->finish());
  }
  void TearDown() override { fs::remove_all(folder_); }

  std::string path(const std::string& name) const { return folder_ + "/" + name; }
  // What is told of pass 2, whose units are no differences.
  void expect_lost(std::uint64_t units, const std::string& why) const {
    auto reader = CaptureReader::open(files::posix(), folder_);
    ASSERT_TRUE(reader) << reader.error().text();
    const auto found = units_without_bytes(files::posix(), folder_, *reader, {0, 7}, 2);
    ASSERT_TRUE(found) << found.error().text();
    EXPECT_EQ(*found, (std::vector<WithoutBytes>{{2, units, why}})) << found->size();
  }

  std::string folder_;
};

TEST_F(UnitsWithoutBytes, AreToldWithWhatIsInThePlaceOfTheirFile) {
  const std::string file = path("pass-0002.dat");
  fs::resize_file(file, fs::file_size(file) - 1);
  expect_lost(1, "pass-0002.dat ends in front of their bytes");
  fs::rename(file, path("kept"));
  expect_lost(8, "pass-0002.dat is not there");
  fs::create_directory(file);
  expect_lost(8, "pass-0002.dat is no plain file");
  fs::remove(file);
  fs::create_symlink("kept", file);
  expect_lost(8, "pass-0002.dat is a symbolic link, which is not followed");
}

}  // namespace
}  // namespace steadycell::passes
