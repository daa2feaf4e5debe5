#include "settle/image_files.h"

#include <gmock/gmock.h>

#include "base/sanitized.h"
#include "settle/bench.h"
#include "settle/full_disk.h"

namespace steadycell::settle {
namespace {

using image::Verdict;
using image::View;
using ::testing::HasSubstr;

class ImageFiles : public SettleTest {
 protected:
  // Blocks 1, 2 and 5 of the small chip, two passes; page 6 wavers, page 9 was never read.
  void make_image() {
    const Geometry geometry = small_chip();
    passes::CaptureWriter writer = new_capture(geometry);
    const Bytes content = random_bytes(3 * geometry.block_raw_bytes(), 7);
    std::vector<PageStatus> status(4, PageStatus::read);
    for (std::uint32_t pass = 1; pass <= 2; ++pass) {
      for (std::uint32_t i = 0; i < 3; ++i) {
        Bytes unit(content.begin() + static_cast<std::ptrdiff_t>(i * geometry.block_raw_bytes()),
                   content.begin() + static_cast<std::ptrdiff_t>((i + 1) * geometry.block_raw_bytes()));
        if (pass == 2 && i == 0) flip(unit, 2 * 528 * 8 + 5);
        status[1] = i == 1 ? PageStatus::transfer_error : PageStatus::read;
        ASSERT_TRUE(writer.append_unit({{}, {i == 2 ? 5 : i + 1}, pass}, unit, status));
      }
    }
    ASSERT_TRUE(writer.seal_pass(1));
    settled();
    pages_ = file("image/pages.raw");
  }

  Verification verified() const {
    auto verification = verify_image(files::posix(), path("image"));
    EXPECT_TRUE(verification) << verification.error().text();
    return verification ? std::move(*verification) : Verification{};
  }
  Result<Exported> exported(const ExportRequest& request) {
    out_.clear();
    return export_image(files::posix(), path("image"), request, [&](ByteSpan bytes) -> Result<void> {
      out_.insert(out_.end(), bytes.begin(), bytes.end());
      return {};
    });
  }

  Bytes pages_, out_;
};

constexpr const char* kFiles[] = {"manifest.json", "pages.raw",     "corrections.xor.zst", "verdicts.csv",
                                  "margins.bin",   "blocks.sha256", "SHA256SUMS"};

TEST_F(ImageFiles, ShowSumsUpAndNamesUnsafePages) {
  make_image();
  const auto shown = show_image(files::posix(), path("image"));
  ASSERT_TRUE(shown) << shown.error().text();
  EXPECT_EQ(shown->manifest.summary.of(Verdict::steady), 10U);
  EXPECT_EQ(shown->manifest.summary.unstable_bits, 1U);
  EXPECT_EQ(shown->sha256, Sha256::of(pages_));
  EXPECT_EQ(shown->unsafe, (std::vector<PageRun>{{{}, {6}, 1, Verdict::doubtful}, {{}, {9}, 1, Verdict::unread}}));
  EXPECT_EQ(shown->causes.at(image::Cause::transfer), 1U);
}

TEST_F(ImageFiles, ShowRefusesVerdictsThatDoNotAddUp) {
  make_image();
  Bytes text = file("image/verdicts.csv");
  std::string lines(as_text(text));
  lines.replace(lines.find("doubtful"), 8, "steady");
  overwrite("image/verdicts.csv", as_bytes(lines));
  const auto shown = show_image(files::posix(), path("image"));
  ASSERT_FALSE(shown);
  EXPECT_EQ(shown.error().code(), ErrorCode::file_damaged);
}

TEST_F(ImageFiles, VerifyFindsAnUntouchedImageWhole) {
  make_image();
  const Verification verification = verified();
  EXPECT_TRUE(verification.problems.empty());
  EXPECT_TRUE(verification.damaged_pages.empty());
  EXPECT_EQ(verification.files, 6U);
  EXPECT_TRUE(verification.result());
}

// Some 150 bits spread over each file, at every position in a byte; of a damaged pages file, it says where.
TEST_F(ImageFiles, VerifyFindsAnySingleFlippedBit) {
  make_image();
  for (const char* name : kFiles) {
    const std::string in_image = std::string("image/") + name;
    const Bytes whole = file(in_image);
    const std::size_t step = whole.size() * 8 / (kSanitized ? 30 : 150) | 1;
    for (std::size_t bit = 0; bit < whole.size() * 8; bit += step) {
      Bytes damaged = whole;
      flip(damaged, bit);
      overwrite(in_image, damaged);
      const auto verification = verify_image(files::posix(), path("image"));
      if (!verification) {
        ASSERT_EQ(name, std::string("manifest.json")) << bit << ": " << verification.error().text();
        ASSERT_EQ(verification.error().code(), ErrorCode::hash_mismatch) << bit;
        continue;
      }
      ASSERT_FALSE(verification->problems.empty()) << name << " bit " << bit;
      if (in_image == "image/pages.raw") {
        const std::size_t block = bit / 8 / small_chip().block_raw_bytes();
        const std::uint32_t first = block == 2 ? 20 : 4 + 4 * static_cast<std::uint32_t>(block);
        ASSERT_EQ(verification->damaged_pages, (std::vector<image::DamagedPages>{{{}, {first}, 4}})) << bit;
      }
    }
    overwrite(in_image, whole);
  }
  EXPECT_TRUE(verified().problems.empty());
}

TEST_F(ImageFiles, VerifyNamesMissingShortAndLongFiles) {
  make_image();
  std::filesystem::remove(path("image/margins.bin"));
  std::filesystem::remove(path("image/SHA256SUMS"));
  std::filesystem::resize_file(path("image/pages.raw"), 2 * small_chip().block_raw_bytes() + 100);
  Bytes csv = file("image/verdicts.csv");
  csv.push_back('\n');
  overwrite("image/verdicts.csv", csv);
  const Verification verification = verified();
  EXPECT_THAT(verification.problems, ::testing::UnorderedElementsAre(
                                         FileProblem{"SHA256SUMS", "missing"}, FileProblem{"margins.bin", "missing"},
                                         FileProblem{"pages.raw", "4324 bytes, recorded 6336"},
                                         FileProblem{"verdicts.csv", fmt::format("{} bytes, recorded {}", csv.size(), csv.size() - 1)}));
  EXPECT_EQ(verification.damaged_pages, (std::vector<image::DamagedPages>{{{}, {20}, 4}}));
  const auto result = verification.result();
  ASSERT_FALSE(result);
  EXPECT_EQ(result.error().code(), ErrorCode::hash_mismatch);
  EXPECT_EQ(result.error().exit_code(), 7);
  EXPECT_THAT(result.error().text(), HasSubstr("pages 20-23"));
}

TEST_F(ImageFiles, FolderWithoutAManifestIsNoImage) {
  for (const auto& outcome : {verify_image(files::posix(), path("nothing")).map([](auto) {}),
                              show_image(files::posix(), path("nothing")).map([](auto) {}),
                              exported({}).map([](auto) {})}) {
    ASSERT_FALSE(outcome);
    EXPECT_EQ(outcome.error().code(), ErrorCode::not_found);
  }
}

// --- export

TEST_F(ImageFiles, RawExportIsThePagesFile) {
  make_image();
  const auto done = exported({.view = View::raw});
  ASSERT_TRUE(done) << done.error().text();
  EXPECT_EQ(out_, pages_);
  EXPECT_EQ(done->pages, 12U);
  EXPECT_EQ(done->bytes, pages_.size());
  EXPECT_EQ(done->sha256, Sha256::of(pages_));
  EXPECT_EQ(done->doubtful, 1U);
  EXPECT_EQ(done->unread, 1U);
}

TEST_F(ImageFiles, DataAndSparePutTogetherAreTheRawPages) {
  make_image();
  ASSERT_TRUE(exported({.view = View::data}));
  const Bytes data = out_;
  ASSERT_TRUE(exported({.view = View::spare}));
  const Bytes spare = out_;
  ASSERT_EQ(data.size(), 12U * 512);
  ASSERT_EQ(spare.size(), 12U * 16);
  Bytes joined;
  for (std::ptrdiff_t page = 0; page < 12; ++page) {
    joined.insert(joined.end(), data.begin() + page * 512, data.begin() + (page + 1) * 512);
    joined.insert(joined.end(), spare.begin() + page * 16, spare.begin() + (page + 1) * 16);
  }
  EXPECT_EQ(joined, pages_);
}

TEST_F(ImageFiles, DataFollowsTheStepsOfTheScheme) {
  const Geometry geometry = kernel_chip(1);
  Bytes content = kernel_vector("fat16-bch4-2k.raw.gz");
  content.resize(geometry.block_raw_bytes());
  capture_of(geometry, {content});
  json::Value scheme = kernel_bch4();
  json::Array& steps = scheme.as_object()["steps"].as_array();
  std::swap(steps[0], steps[3]);
  settled(scheme);
  ASSERT_TRUE(exported({.view = View::data, .pages = Pages{2, 2}}));
  const auto page = content.begin() + 2 * 2112;
  Bytes expected(page + 1536, page + 2048);
  expected.insert(expected.end(), page + 512, page + 1536);
  expected.insert(expected.end(), page, page + 512);
  EXPECT_EQ(out_, expected);
}

TEST_F(ImageFiles, PageRangeIncludesBothEndsAndCrossesBlocks) {
  make_image();
  const auto done = exported({.view = View::raw, .pages = Pages{7, 8}});
  ASSERT_TRUE(done) << done.error().text();
  EXPECT_EQ(out_, Bytes(pages_.begin() + 3 * 528, pages_.begin() + 5 * 528));
  EXPECT_EQ(done->pages, 2U);
  EXPECT_EQ(done->doubtful + done->unread, 0U);
}

TEST_F(ImageFiles, PagesThatTheImageDoesNotCoverAreRefused) {
  make_image();
  for (const Pages range : {Pages{0, 3}, Pages{11, 20}, Pages{23, 24}, Pages{20, 0xFFFF'FFFF}, Pages{6, 5}}) {
    const auto done = exported({.view = View::raw, .pages = range});
    ASSERT_FALSE(done) << range.first;
    EXPECT_EQ(done.error().code(), ErrorCode::wrong_usage);
    EXPECT_TRUE(out_.empty());
  }
}

TEST_F(ImageFiles, RangeNeedsALunWhenThereAreSeveral) {
  Geometry geometry = small_chip();
  geometry.luns = 2;
  const std::vector<PageStatus> all(4, PageStatus::read);
  const Bytes one = random_bytes(geometry.block_raw_bytes(), 1), two = random_bytes(geometry.block_raw_bytes(), 2);
  {
    passes::CaptureWriter writer = new_capture(geometry);
    ASSERT_TRUE(writer.append_unit({{0, 0}, {0}, 1}, one, all));
    ASSERT_TRUE(writer.append_unit({{0, 1}, {0}, 1}, two, all));
    ASSERT_TRUE(writer.seal_pass(1));
  }
  settled();
  const auto refused = exported({.view = View::raw, .pages = Pages{0, 1}});
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().code(), ErrorCode::wrong_usage);
  ASSERT_TRUE(exported({.view = View::raw, .pages = Pages{1, 1}, .place = UnitPlace{0, 1}}));
  EXPECT_EQ(out_, Bytes(two.begin() + 528, two.begin() + 2 * 528));
  ASSERT_TRUE(exported({.view = View::raw}));
  Bytes both = one;
  both.insert(both.end(), two.begin(), two.end());
  EXPECT_EQ(out_, both);
}

TEST_F(ImageFiles, ExportOfADamagedBlockStopsBeforeItsFirstByte) {
  make_image();
  Bytes damaged = pages_;
  flip(damaged, (4 * 528 + 3) * 8);  // second block of the image
  overwrite("image/pages.raw", damaged);
  const auto done = exported({.view = View::raw});
  ASSERT_FALSE(done);
  EXPECT_EQ(done.error().code(), ErrorCode::hash_mismatch);
  EXPECT_THAT(done.error().text(), HasSubstr("pages 8-11"));
  EXPECT_EQ(out_.size(), 4U * 528);
  const auto to_file = export_image_to(files::posix(), path("image"), {}, path("out.bin"));
  ASSERT_FALSE(to_file);
  EXPECT_TRUE(left_nothing("out.bin"));
}

TEST_F(ImageFiles, ExportToAFileIsAllOrNothing) {
  make_image();
  FullDisk disk(4000);
  const auto full = export_image_to(disk, path("image"), {}, path("out.bin"));
  ASSERT_FALSE(full);
  EXPECT_EQ(full.error().code(), ErrorCode::storage_full);
  EXPECT_TRUE(left_nothing("out.bin"));

  const auto done = export_image_to(files::posix(), path("image"), {.view = View::data}, path("out.bin"));
  ASSERT_TRUE(done) << done.error().text();
  EXPECT_EQ(Sha256::of(file("out.bin")), done->sha256);

  const auto again = export_image_to(files::posix(), path("image"), {.view = View::data}, path("out.bin"));
  ASSERT_FALSE(again);
  EXPECT_EQ(again.error().code(), ErrorCode::already_exists);
}

TEST_F(ImageFiles, JobsStopOnRequest) {
  make_image();
  const std::atomic<bool> stop = true;
  const Hooks hooks{.progress = {}, .stop = &stop};
  const auto verification = verify_image(files::posix(), path("image"), hooks);
  ASSERT_FALSE(verification);
  EXPECT_EQ(verification.error().code(), ErrorCode::interrupted);
  const auto to_file = export_image_to(files::posix(), path("image"), {}, path("out.bin"), hooks);
  ASSERT_FALSE(to_file);
  EXPECT_EQ(to_file.error().code(), ErrorCode::interrupted);
  EXPECT_TRUE(left_nothing("out.bin"));
}

}  // namespace
}  // namespace steadycell::settle
