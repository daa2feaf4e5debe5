#include "passes/import.h"

#include <gtest/gtest.h>

#include <map>

#include "files/atomic.h"
#include "files/memory_disk.h"
#include "passes/sample.h"

namespace steadycell::passes {
namespace {

using files::MemoryDisk;

constexpr std::uint32_t kPage = 512, kSpare = 16, kRawPage = kPage + kSpare;

Bytes pages(std::size_t count, std::uint32_t seed) {
  Bytes bytes(count * kRawPage);
  std::mt19937 random(seed);
  for (auto& byte : bytes) byte = static_cast<std::uint8_t>(random());
  return bytes;
}

ImportRequest request(std::vector<std::string> files) {
  return {.files = std::move(files), .page_bytes = kPage, .spare_bytes = kSpare, .pages_per_block = 4, .folder = "c", .tool = "test"};
}

// Every file of a folder with its bytes; empty where there is no such folder.
std::map<std::string, Bytes> files_in(MemoryDisk& disk, const std::string& folder) {
  std::map<std::string, Bytes> out;
  for (const std::string& name : disk.names(folder))
    if (const auto bytes = files::read_whole(disk, files::join(folder, name), 1 << 30)) out[name] = *bytes;
  return out;
}

// The import fails with `code`, says all of `words`, makes nothing, and leaves a capture that is there as it is,
// byte for byte.
void expect_refused(MemoryDisk& disk, const ImportRequest& asked, ErrorCode code, const std::vector<std::string>& words) {
  const auto before = disk.names(".");
  const auto held = files_in(disk, asked.folder);
  const auto imported = import_passes(disk, asked);
  ASSERT_FALSE(imported);
  EXPECT_EQ(imported.error().code(), code) << imported.error().text();
  for (const std::string& word : words)
    EXPECT_NE(imported.error().text().find(word), std::string::npos) << word << " in: " << imported.error().text();
  EXPECT_EQ(disk.names("."), before);
  EXPECT_EQ(files_in(disk, asked.folder), held);
}

TEST(Import, EachFileBecomesAPassBitForBit) {
  MemoryDisk disk;
  const Bytes first = pages(8, 1), second = pages(8, 2);
  disk.put("a.bin", first);
  disk.put("b.bin", second);
  const auto imported = import_passes(disk, request({"a.bin", "b.bin"}));
  ASSERT_TRUE(imported) << imported.error().text();
  EXPECT_EQ(imported->passes, 2u);
  EXPECT_EQ(imported->blocks, 2u);
  EXPECT_EQ(imported->pages_missing_at_end, 0u);
  EXPECT_EQ(imported->bytes, 16u * kRawPage);
  auto reader = CaptureReader::open(disk, "c");
  EXPECT_EQ(reader->head().origin, "import");
  EXPECT_EQ(reader->head().uuid, imported->capture_uuid);
  EXPECT_EQ(reader->contents().sealed_passes, (std::vector<std::uint32_t>{1, 2}));
  EXPECT_TRUE(reader->contents().closed);
  Bytes raw(4 * kRawPage);
  std::vector<PageStatus> status(4);
  for (std::uint32_t block = 0; block < 2; ++block)
    for (std::uint32_t pass = 1; pass <= 2; ++pass) {
      ASSERT_TRUE(reader->read_unit(unit(block, pass), raw, status));
      const Bytes& source = pass == 1 ? first : second;
      EXPECT_TRUE(std::equal(raw.begin(), raw.end(), source.begin() + static_cast<std::ptrdiff_t>(block * raw.size())));
    }
}

TEST(Import, PagesBeyondTheEndOfTheFilesAreNotReadAndNeverInvented) {
  MemoryDisk disk;
  const Bytes bytes = pages(5, 1);
  disk.put("a.bin", bytes);
  const auto imported = import_passes(disk, request({"a.bin"}));
  ASSERT_TRUE(imported) << imported.error().text();
  EXPECT_EQ(imported->blocks, 2u);
  EXPECT_EQ(imported->pages_missing_at_end, 3u);
  auto reader = CaptureReader::open(disk, "c");
  Bytes raw(4 * kRawPage);
  std::vector<PageStatus> status(4);
  ASSERT_TRUE(reader->read_unit(unit(1, 1), raw, status));
  EXPECT_EQ(status, (std::vector<PageStatus>{PageStatus::read, PageStatus::not_read, PageStatus::not_read, PageStatus::not_read}));
  EXPECT_TRUE(std::equal(raw.begin(), raw.begin() + kRawPage, bytes.begin() + 4 * kRawPage));
  EXPECT_EQ((*reader->page_reads({0, 0})), (std::vector<std::uint64_t>{4, 1}));
}

TEST(Import, AFileThatIsNoWholeNumberOfPagesIsNamedWithItsSizeAndTheNearestFit) {
  MemoryDisk disk;
  disk.put("a.bin", Bytes(3 * kRawPage + 100));
  expect_refused(disk, request({"a.bin"}), ErrorCode::bad_input_file,
                 {"a.bin", "1684 bytes", "3 pages of 528 bytes are 1584", "100 bytes are over", "--page-bytes"});
  disk.put("b.bin", Bytes(100));
  expect_refused(disk, request({"b.bin"}), ErrorCode::bad_input_file, {"b.bin", "100 bytes", "one page has 528"});
}

TEST(Import, FilesOfDifferentLengthsAreNamedBoth) {
  MemoryDisk disk;
  disk.put("a.bin", pages(8, 1));
  disk.put("b.bin", pages(7, 1));
  expect_refused(disk, request({"a.bin", "b.bin"}), ErrorCode::bad_input_file,
                 {"a.bin", "4224 (8 pages)", "b.bin", "3696 bytes (7 pages)"});
}

TEST(Import, EmptyMissingAndDoubledFilesAreRefused) {
  MemoryDisk disk;
  disk.put("a.bin", pages(4, 1));
  disk.put("empty.bin", {});
  expect_refused(disk, request({}), ErrorCode::wrong_usage, {"no passes"});
  expect_refused(disk, request({"empty.bin"}), ErrorCode::bad_input_file, {"empty.bin is empty"});
  expect_refused(disk, request({"a.bin", "none.bin"}), ErrorCode::not_found, {"none.bin"});
  expect_refused(disk, request({"a.bin", "a.bin"}), ErrorCode::wrong_usage, {"given twice"});
}

TEST(Import, SizesThatNoChipHasAreWrongUse) {
  MemoryDisk disk;
  disk.put("a.bin", pages(4, 1));
  for (const auto& [page, spare, per_block] : {std::tuple{0u, 16u, 64u},
                                               {511u, 16u, 64u},
                                               {65537u, 0u, 64u},
                                               {512u, 40000u, 64u},
                                               {512u, 16u, 0u},
                                               {512u, 16u, 8193u},
                                               {65536u, 0u, 8192u}}) {
    ImportRequest asked = request({"a.bin"});
    asked.page_bytes = page;
    asked.spare_bytes = spare;
    asked.pages_per_block = per_block;
    expect_refused(disk, asked, ErrorCode::wrong_usage, {"possible"});
  }
}

TEST(Import, AnotherFolderOrCaptureInTheWayIsUntouched) {
  MemoryDisk disk;
  disk.put("a.bin", pages(8, 1));
  ASSERT_TRUE(disk.make_directory("c"));
  expect_refused(disk, request({"a.bin"}), ErrorCode::already_exists, {"is no capture"});
  ASSERT_TRUE(disk.remove_directory("c"));
  { ASSERT_TRUE(CaptureWriter::create(disk, "c", small_head())); }
  expect_refused(disk, request({"a.bin"}), ErrorCode::already_exists, {"was read from a chip", "new folder"});
  ASSERT_TRUE(import_passes(disk, [] {
    ImportRequest other = request({"a.bin"});
    other.folder = "other";
    other.pages_per_block = 2;
    return other;
  }()));
  ImportRequest into_other = request({"a.bin"});
  into_other.folder = "other";
  expect_refused(disk, into_other, ErrorCode::already_exists, {"another capture", "new folder"});
}

TEST(Import, FurtherFilesBecomeFurtherPasses) {
  MemoryDisk disk;
  disk.put("a.bin", pages(8, 1));
  disk.put("b.bin", pages(8, 2));
  ASSERT_TRUE(import_passes(disk, request({"a.bin"})));
  const auto more = import_passes(disk, request({"a.bin", "b.bin"}));
  ASSERT_TRUE(more) << more.error().text();
  EXPECT_EQ(more->units_added, 2u);
  EXPECT_EQ(CaptureReader::open(disk, "c")->units().count(), 4u);
}

TEST(Import, TellsWholePassesHeldAndThoseThatAreEqual) {
  MemoryDisk disk;
  const Bytes first = pages(8, 1);
  Bytes nearly = first;
  nearly.back() ^= 1;
  disk.put("a.bin", first);
  disk.put("b.bin", nearly);
  disk.put("c.bin", first);
  disk.put("d.bin", nearly);
  disk.put("e.bin", first);
  const auto three = import_passes(disk, request({"a.bin", "b.bin"}));
  ASSERT_TRUE(three) << three.error().text();
  EXPECT_TRUE(three->equal.empty()) << "one bit is another reading";
  const auto all = import_passes(disk, request({"a.bin", "b.bin", "c.bin", "d.bin", "e.bin"}));
  ASSERT_TRUE(all) << all.error().text();
  const std::vector<EqualPasses> equal{{3, 1}, {4, 2}, {5, 1}};
  EXPECT_EQ(all->equal, equal);
  const auto one = import_passes(disk, request({"a.bin"}));
  ASSERT_TRUE(one) << one.error().text();
  EXPECT_EQ(one->passes, 1u);
  EXPECT_EQ(one->passes_held, 5u);
  EXPECT_EQ(one->equal, equal) << "also when nothing is added";
}

TEST(Import, PageSizesThatChipsSeldomHaveAreDoubted) {
  // Common practice, no source.
  for (const std::uint32_t usual : {512u, 2048u, 4096u, 8192u, 16384u}) EXPECT_EQ(page_size_doubt(usual), "");
  for (const std::uint32_t odd : {2000u, 2112u, 1024u, 32768u, 65536u})
    EXPECT_NE(page_size_doubt(odd).find(fmt::format("{} is no usual", odd)), std::string::npos);
}

TEST(Import, AnotherFileInThePlaceOfAnImportedOneIsRefused) {
  MemoryDisk disk;
  disk.put("a.bin", pages(8, 1));
  disk.put("b.bin", pages(8, 2));
  ASSERT_TRUE(import_passes(disk, request({"a.bin"})));
  expect_refused(disk, request({"b.bin", "a.bin"}), ErrorCode::mismatched_capture, {"block 0", "b.bin", "pass 1"});
}

// A file that differs behind one that is new: nothing of the new one is added before the difference is seen.
TEST(Import, AFileThatDiffersIsRefusedBeforeAnotherIsAdded) {
  MemoryDisk disk;
  disk.put("a.bin", pages(8, 1));
  disk.put("c.bin", pages(8, 3));
  auto writer = CaptureWriter::create(disk, "c", [] {
    CaptureHead head = small_head();
    head.origin = "import";
    head.geometry.blocks = 2;
    return head;
  }());
  ASSERT_TRUE(writer) << writer.error().text();
  const Bytes second = pages(8, 2);
  const std::vector<PageStatus> all_read(4, PageStatus::read);
  ASSERT_TRUE(writer->append_unit(unit(0, 2), ByteSpan(second).first(second.size() / 2), all_read));
  ASSERT_TRUE(writer->finish());
  expect_refused(disk, request({"a.bin", "c.bin"}), ErrorCode::mismatched_capture, {"block 0", "c.bin", "pass 2"});
}

TEST(Import, TheSameFilesOnceMoreChangeNothing) {
  MemoryDisk disk;
  disk.put("a.bin", pages(8, 1));
  ASSERT_TRUE(import_passes(disk, request({"a.bin"})));
  const auto held = files_in(disk, "c");
  const auto again = import_passes(disk, request({"a.bin"}));
  ASSERT_TRUE(again) << again.error().text();
  EXPECT_EQ(again->units_added, 0u);
  EXPECT_EQ(again->bytes, 8u * kRawPage);
  EXPECT_EQ(files_in(disk, "c"), held);
}

TEST(Import, TheSameFilesOnceMoreTellOfUnitsThatLostTheirBytes) {
  MemoryDisk disk;
  disk.put("a.bin", pages(8, 1));
  disk.put("b.bin", pages(8, 2));
  ASSERT_TRUE(import_passes(disk, request({"a.bin", "b.bin"}))->without_bytes.empty());
  ASSERT_TRUE(disk.remove_file("c/pass-0002.dat"));
  const auto again = import_passes(disk, request({"a.bin", "b.bin"}));
  ASSERT_TRUE(again) << again.error().text();
  EXPECT_EQ(again->without_bytes, (std::vector<WithoutBytes>{{2, 2, "pass-0002.dat is not there"}}));
}

TEST(Import, F23AFullDiskStopsItAndTheSameCommandGoesOn) {
  MemoryDisk disk;
  disk.put("a.bin", pages(40, 1));
  disk.put("b.bin", pages(40, 2));
  disk.set_room(16 << 20);
  expect_refused(disk, request({"a.bin", "b.bin"}), ErrorCode::storage_full,
                 {"for the first pass and 16 MiB for the journal", "in all",
                  "free 20.6 KiB on that disk"});  // before anything is made
  // Enough by the look of it, but something else fills the disk meanwhile.
  disk.set_room((16 << 20) + (1 << 20));
  Hooks hooks;
  hooks.progress = [&](std::uint64_t done, std::uint64_t, std::uint64_t) {
    if (done > 30 * kRawPage) disk.set_room(100);
  };
  const auto stopped = import_passes(disk, request({"a.bin", "b.bin"}), hooks);
  ASSERT_FALSE(stopped);
  EXPECT_EQ(stopped.error().code(), ErrorCode::storage_full);
  disk.set_room(64 << 20);
  const auto gone_on = import_passes(disk, request({"a.bin", "b.bin"}));
  ASSERT_TRUE(gone_on) << gone_on.error().text();
  EXPECT_LT(gone_on->units_added, 20u);
  EXPECT_EQ(CaptureReader::open(disk, "c")->units().count(), 20u);
}

TEST(Import, StopsBetweenBlocksAndGoesOn) {
  MemoryDisk disk;
  disk.put("a.bin", pages(40, 1));
  std::atomic<bool> stop{false};
  Hooks hooks;
  hooks.stop = &stop;
  hooks.progress = [&](std::uint64_t done, std::uint64_t total, std::uint64_t) {
    EXPECT_EQ(total, 40u * kRawPage);
    stop = done >= 12 * kRawPage;
  };
  const auto stopped = import_passes(disk, request({"a.bin"}), hooks);
  ASSERT_FALSE(stopped);
  EXPECT_EQ(stopped.error().code(), ErrorCode::interrupted);
  EXPECT_EQ(CaptureReader::open(disk, "c")->units().count(), 3u);
  EXPECT_EQ(import_passes(disk, request({"a.bin"}))->units_added, 7u);
}

}  // namespace
}  // namespace steadycell::passes
