#include "files/atomic.h"

#include <gtest/gtest.h>
#include <sys/wait.h>
#include <unistd.h>

#include <filesystem>

#include "files/memory_disk.h"

namespace steadycell::files {
namespace {

const Bytes kText = {'w', 'h', 'o', 'l', 'e'};

// Writes a file and a folder; whatever fails, stops.
Result<void> job(FileSystem& system) {
  if (const auto written = write_whole(system, "report", kText); !written) return written;
  auto folder = AtomicFolder::create(system, "image");
  if (!folder) return failure(folder.error());
  for (const std::string name : {"pages.raw", "manifest.json"}) {
    auto file = folder->create_file(name);
    if (!file) return failure(file.error());
    if (const auto written = (*file)->write_at(0, kText); !written) return written;
    if (const auto synced = (*file)->sync(); !synced) return synced;
  }
  return folder->commit();
}

// Under a final name there is nothing, or all of it.
void expect_nothing_half(const MemoryDisk& disk, const std::string& when) {
  for (const std::string& name : disk.names(".")) {
    if (name.find(".partial-") != std::string::npos) continue;
    if (name == "report") {
      EXPECT_EQ(disk.content("report"), kText) << when;
    } else {
      ASSERT_EQ(name, "image") << when;
      EXPECT_EQ(disk.names("image"), (std::vector<std::string>{"manifest.json", "pages.raw"})) << when;
      EXPECT_EQ(disk.content("image/pages.raw"), kText) << when;
      EXPECT_EQ(disk.content("image/manifest.json"), kText) << when;
    }
  }
}

TEST(Atomic, WhatCannotBeMadeIsToldByItsFolder) {
  MemoryDisk disk;
  ASSERT_TRUE(write_whole(disk, "there", kText));
  EXPECT_TRUE(check_free(disk, "new"));
  EXPECT_EQ(check_free(disk, "there").error().code(), ErrorCode::already_exists);
  EXPECT_EQ(check_free(disk, "").error().code(), ErrorCode::wrong_usage);
  for (const auto& [mark, other] : {std::pair<std::string, std::string>("capture.json", "journal"), {"manifest.json", "blocks.sha256"}}) {
    const std::string folder = "of-" + mark;
    for (const std::string& made : {folder, folder + "/notes", folder + "/notes/2026"}) ASSERT_TRUE(disk.make_directory(made));
    disk.put(folder + "/" + mark, {});
    EXPECT_TRUE(check_free(disk, folder + "/new")) << "another program may have a file of that name";
    disk.put(folder + "/" + other, {});
    for (const std::string name : {"/new", "/notes/new", "/notes/2026/new/"}) {
      const auto inside = check_free(disk, folder + name);
      ASSERT_FALSE(inside) << name;
      EXPECT_EQ(inside.error().code(), ErrorCode::wrong_usage);
      EXPECT_NE(inside.error().text().find(", " + folder), std::string::npos) << inside.error().text();
    }
    EXPECT_TRUE(check_free(disk, "beside-" + folder));
  }
  const auto file = write_whole(disk, "no/such/report", kText);
  const auto folder = AtomicFolder::create(disk, "no/such/image/");
  for (const Error& error : {file.error(), folder.error()}) {
    EXPECT_EQ(error.code(), ErrorCode::not_found);
    EXPECT_NE(error.text().find("there is no folder no/such to make no/such/"), std::string::npos) << error.text();
    EXPECT_NE(error.next().find("make that folder first"), std::string::npos) << error.text();
  }
}

// F-21, F-22, F-24: every call fails once and for ever; the power is cut after each.
TEST(Atomic, F24NothingHalfGetsAFinalNameWhicheverCallFails) {
  std::uint64_t calls = 0;
  {
    MemoryDisk disk;
    ASSERT_TRUE(job(disk));
    calls = disk.calls();
    expect_nothing_half(disk, "clean");
    EXPECT_EQ(disk.names("."), (std::vector<std::string>{"image", "report"}));
  }
  ASSERT_GT(calls, 20u);
  for (const ErrorCode code : {ErrorCode::storage_failed, ErrorCode::storage_full})
    for (const bool for_ever : {false, true})
      for (std::uint64_t n = 1; n <= calls; ++n) {
        MemoryDisk disk;
        disk.fail_call(n, code, for_ever);
        const auto done = job(disk);
        const std::string when = fmt::format("call {}{}", n, for_ever ? " and on" : "");
        if (disk.failures() == 0) continue;
        expect_nothing_half(disk, when);
        // A call whose failure costs nothing (locking, tidying up) may be survived; any other failure is told.
        if (done) {
          EXPECT_TRUE(disk.names(".").size() >= 2) << when;
        }
        for (std::uint64_t seed = 0; seed < 8; ++seed) expect_nothing_half(disk.after_power_cut(seed), when + " then a power cut");
        expect_nothing_half(disk.after_power_cut(), when + " then a power cut");
        disk.work_again();
        if (!done && disk.content("report").empty()) {
          EXPECT_TRUE(job(disk)) << when;  // leftovers are in nobody's way
        }
      }
}

TEST(Atomic, F22WhatWasCommittedOutlivesAPowerCut) {
  MemoryDisk disk;
  ASSERT_TRUE(job(disk));
  const MemoryDisk after = disk.after_power_cut();
  EXPECT_EQ(after.names("."), (std::vector<std::string>{"image", "report"}));
  expect_nothing_half(after, "cut");
}

TEST(Atomic, AnExistingNameIsRefusedAndUntouched) {
  MemoryDisk disk;
  disk.put("report", as_bytes("old"));
  const auto written = write_whole(disk, "report", kText);
  ASSERT_FALSE(written);
  EXPECT_EQ(written.error().code(), ErrorCode::already_exists);
  EXPECT_EQ(as_text(disk.content("report")), "old");
}

TEST(Atomic, ANameThatAppearsMeanwhileIsNotReplaced) {
  MemoryDisk disk;
  auto file = AtomicFile::create(disk, "report");
  ASSERT_TRUE(file);
  ASSERT_TRUE(file->append(kText));
  disk.put("report", as_bytes("old"));
  const auto committed = file->commit();
  ASSERT_FALSE(committed);
  EXPECT_EQ(committed.error().code(), ErrorCode::already_exists);
  EXPECT_EQ(as_text(disk.content("report")), "old");
}

TEST(Atomic, TwoThatMakeTheSameNameNeverMix) {
  MemoryDisk disk;
  auto first = AtomicFile::create(disk, "report");
  ASSERT_TRUE(first->append(as_bytes("fi")));
  auto second = AtomicFile::create(disk, "report");
  ASSERT_TRUE(second->append(as_bytes("second")));
  ASSERT_TRUE(first->append(as_bytes("rst")));
  ASSERT_TRUE(first->commit());
  EXPECT_FALSE(second->commit());
  EXPECT_EQ(as_text(disk.content("report")), "first");
}

TEST(Atomic, DroppedWithoutCommitNothingStays) {
  MemoryDisk disk;
  { ASSERT_TRUE(AtomicFile::create(disk, "report")->append(kText)); }
  {
    auto folder = AtomicFolder::create(disk, "image");
    ASSERT_TRUE(folder->create_file("pages.raw"));
  }
  EXPECT_TRUE(disk.names(".").empty());
}

TEST(Atomic, NamesInAFolderAreOfTheSafeKind) {
  MemoryDisk disk;
  auto folder = AtomicFolder::create(disk, "image");
  for (const std::string name : {"../x", ".", "", "-x", "a/b", "a\n"}) EXPECT_FALSE(folder->create_file(name)) << name;
}

// F-21 on the real disk: a killed process leaves a partial file, which the next one clears; a living one's is left alone.
TEST(Atomic, F21LeftoversOfTheDeadAreClearedAndThoseOfTheLivingAreNot) {
  std::string root = (std::filesystem::temp_directory_path() / "steadycell-files-XXXXXX").string();
  ASSERT_NE(::mkdtemp(root.data()), nullptr);
  const std::string name = root + "/image";
  int pipe[2];
  ASSERT_EQ(::pipe(pipe), 0);
  const pid_t child = ::fork();
  if (child == 0) {
    const auto folder = AtomicFolder::create(posix(), name);
    const char told = folder ? 'y' : 'n';
    if (::write(pipe[1], &told, 1) != 1) ::_exit(1);
    ::pause();
  }
  char told = 0;
  ASSERT_EQ(::read(pipe[0], &told, 1), 1);
  ASSERT_EQ(told, 'y');
  {
    const auto mine = AtomicFolder::create(posix(), name);
    ASSERT_TRUE(mine) << mine.error().text();
    EXPECT_EQ(mine->partial(), name + ".partial-2");
    EXPECT_TRUE(std::filesystem::exists(name + ".partial-1"));
  }
  ::kill(child, SIGKILL);
  ::waitpid(child, nullptr, 0);
  const auto mine = AtomicFolder::create(posix(), name);
  ASSERT_TRUE(mine);
  EXPECT_EQ(mine->partial(), name + ".partial-1");
  ::close(pipe[0]);
  ::close(pipe[1]);
  std::filesystem::remove_all(root);
}

}  // namespace
}  // namespace steadycell::files
