#include "files/folder_kind.h"

#include <gmock/gmock.h>

#include "memory_disk.h"

namespace steadycell::files {
namespace {

using testing::HasSubstr;

class FolderKinds : public testing::Test {
 protected:
  void SetUp() override {
    for (const char* folder : {"case7", "case7-image", "letters", "package", "case9", "case9-image"})
      ASSERT_TRUE(disk_.make_directory(folder));
    for (const char* file : {"case7/capture.json", "case7/journal", "case7-image/manifest.json", "case7-image/blocks.sha256", "pass.bin",
                             "package/manifest.json", "case9/journal", "case9/pass-0001.dat",
                             "case9-image/blocks.sha256", "case9-image/verdicts.csv"})
      ASSERT_TRUE(disk_.create(file));
  }
  std::string explained(const std::string& path, FolderKind wanted) {
    return explain_folder(disk_, path, wanted, Error(ErrorCode::not_found, "no mark")).text();
  }

  MemoryDisk disk_;
};

TEST_F(FolderKinds, TheOtherKindIsNamedWithTheWayOn) {
  EXPECT_EQ(explained("case7", FolderKind::image),
            "e101 case7 is a capture, no image yet: settle it first: steadycell capture settle case7 --image NEW-FOLDER");
  EXPECT_THAT(explained("case7-image", FolderKind::capture),
              HasSubstr("case7-image is an image; the passes it was made of are wanted here"));
}

TEST_F(FolderKinds, AnythingElseIsCalledWhatItIs) {
  EXPECT_THAT(explained("pass.bin", FolderKind::capture), HasSubstr("pass.bin is a file; a capture is a folder"));
  EXPECT_THAT(explained("letters", FolderKind::image), HasSubstr("folder letters is no image: it holds no manifest.json"));
  EXPECT_THAT(explained("package", FolderKind::capture), HasSubstr("folder package is no capture: it holds no capture.json"));
  EXPECT_THAT(explained("case8", FolderKind::image), HasSubstr("there is no image case8"));
}

TEST_F(FolderKinds, OneThatLostItsMarkIsDamaged) {
  EXPECT_THAT(explained("case9-image", FolderKind::image), HasSubstr("e503 image case9-image has lost its manifest.json"));
  EXPECT_THAT(explained("case9", FolderKind::capture), HasSubstr("e503 capture case9 has lost its capture.json"));
  EXPECT_THAT(explained("case9", FolderKind::image), HasSubstr("folder case9 is no image"));
}

// Both names are common: manifest.json is that of web pages and packages, say (W3C, Web Application Manifest).
TEST_F(FolderKinds, AMarkAloneMakesNone) {
  const std::string capture = "capture.json", manifest = "manifest.json";
  EXPECT_EQ(folder_kind({}), std::nullopt);
  EXPECT_EQ(folder_kind(std::vector{capture, manifest}), std::nullopt);
  EXPECT_EQ(folder_kind(std::vector<std::string>{"blocks.sha256", "journal"}), std::nullopt);
  EXPECT_EQ(folder_kind(std::vector<std::string>{capture, "pass-0001.dat"}), FolderKind::capture) << "its journal is lost";
  EXPECT_EQ(folder_kind(std::vector<std::string>{manifest, "verdicts.csv"}), FolderKind::image) << "another file is lost";
}

TEST_F(FolderKinds, AnotherErrorStaysAsItIs) {
  EXPECT_EQ(explain_folder(disk_, "case7", FolderKind::image, Error(ErrorCode::storage_failed, "reading it failed")).text(),
            Error(ErrorCode::storage_failed, "reading it failed").text());
}

}  // namespace
}  // namespace steadycell::files
