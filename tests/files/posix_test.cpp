#include <fcntl.h>
#include <gtest/gtest.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <filesystem>
#include <fstream>

#include "files/atomic.h"
#include "files/file_system.h"
#include "files/space.h"
#include "files/window.h"

namespace steadycell::files {
namespace {

namespace fs = std::filesystem;

class PosixFiles : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string name = (fs::temp_directory_path() / "steadycell-files-XXXXXX").string();
    ASSERT_NE(::mkdtemp(name.data()), nullptr);
    root_ = name;
  }
  void TearDown() override { fs::remove_all(root_); }
  std::string path(const std::string& name) const { return root_ + "/" + name; }
  static void write(const std::string& path, std::string_view text) { std::ofstream(path, std::ios::binary) << text; }
  static mode_t mode_of(const std::string& path) {
    struct stat facts {};
    EXPECT_EQ(::stat(path.c_str(), &facts), 0);
    return facts.st_mode & 07777;
  }
  static ErrorCode code(const auto& result) { return result ? ErrorCode::internal : result.error().code(); }

  std::string root_;
};

TEST_F(PosixFiles, NothingIsOpenToTheWorld) {
  const mode_t before = ::umask(022);
  ASSERT_TRUE(posix().make_directory(path("case")));
  ASSERT_TRUE(posix().create(path("case/image")));
  ::umask(before);
  EXPECT_EQ(mode_of(path("case/image")), 0640u);
  EXPECT_EQ(mode_of(path("case")) & 0777, 0770u);
}

TEST_F(PosixFiles, UmaskThatKeepsTheGroupOutIsObeyed) {
  const mode_t before = ::umask(077);
  ASSERT_TRUE(posix().make_directory(path("case")));
  ASSERT_TRUE(posix().create(path("case/image")));
  ::umask(before);
  EXPECT_EQ(mode_of(path("case/image")), 0600u);
  EXPECT_EQ(mode_of(path("case")) & 0777, 0700u);
}

TEST_F(PosixFiles, CreateNeverOpensWhatIsThere) {
  write(path("a"), "kept");
  EXPECT_EQ(code(posix().create(path("a"))), ErrorCode::already_exists);
  fs::create_symlink("nowhere", path("dangling"));
  EXPECT_EQ(code(posix().create(path("dangling"))), ErrorCode::already_exists);
}

TEST_F(PosixFiles, RenameNeverReplacesAFileOrAFolder) {
  write(path("a"), "new");
  write(path("b"), "old");
  EXPECT_EQ(code(posix().rename(path("a"), path("b"))), ErrorCode::already_exists);
  EXPECT_EQ(*read_text(posix(), path("b"), 100), "old");
  fs::create_directory(path("d"));
  fs::create_directory(path("e"));
  EXPECT_EQ(code(posix().rename(path("d"), path("e"))), ErrorCode::already_exists);
  EXPECT_TRUE(posix().rename(path("d"), path("f")));
}

TEST_F(PosixFiles, SymbolicLinksAndPipesAreNotOpened) {
  write(path("target"), "x");
  fs::create_symlink(path("target"), path("link"));
  EXPECT_EQ(code(posix().open_read(path("link"))), ErrorCode::bad_name);
  EXPECT_EQ(code(posix().lock(path("link"))), ErrorCode::bad_name);
  ASSERT_EQ(::mkfifo(path("pipe").c_str(), 0600), 0);
  EXPECT_EQ(code(posix().open_read(path("pipe"))), ErrorCode::bad_input_file);  // and does not wait for a writer
  EXPECT_EQ(code(posix().open_read(root_)), ErrorCode::bad_input_file);
}

TEST_F(PosixFiles, MissingThingsAreNotFoundAndNameThePath) {
  const auto opened = posix().open_read(path("none"));
  ASSERT_FALSE(opened);
  EXPECT_EQ(opened.error().code(), ErrorCode::not_found);
  EXPECT_NE(opened.error().what().find("none"), std::string::npos);
  EXPECT_EQ(code(posix().list(path("none"))), ErrorCode::not_found);
  EXPECT_FALSE(*posix().exists(path("none/further")));
}

TEST_F(PosixFiles, TheRealPathOfAFolderHasNoLinks) {
  ASSERT_TRUE(fs::create_directories(path("case/image")));
  fs::create_directory_symlink("case/image", path("link"));
  const fs::path root = fs::canonical(root_);
  EXPECT_EQ(*posix().real_path(path("link")), root / "case/image");
  EXPECT_EQ(*posix().real_path(path("link/..")), root / "case");
  EXPECT_EQ(*posix().real_path("."), fs::current_path());
  EXPECT_EQ(code(posix().real_path(path("none"))), ErrorCode::not_found);
}

// F-25: a folder that may not be written. Root may write everywhere, so a child without its rights tries.
TEST_F(PosixFiles, F25AFolderThatMayNotBeWrittenIsSaidToBeSo) {
  fs::permissions(root_, fs::perms::owner_read | fs::perms::owner_exec | fs::perms::others_read | fs::perms::others_exec);
  const pid_t child = ::fork();
  if (child == 0) {
    if (::geteuid() == 0 && ::setuid(65534) != 0) ::_exit(2);
    const auto made = posix().create(path("a"));
    ::_exit(!made && made.error().code() == ErrorCode::no_permission && made.error().exit_code() == 5 ? 0 : 1);
  }
  int status = 0;
  ASSERT_EQ(::waitpid(child, &status, 0), child);
  EXPECT_EQ(WEXITSTATUS(status), 0);
}

TEST_F(PosixFiles, ALockIsHeldAgainstThisAndOtherProcessesUntilItsHolderDies) {
  auto held = posix().lock(path("lock"));
  ASSERT_TRUE(held);
  EXPECT_EQ(code(posix().lock(path("lock"))), ErrorCode::in_use);
  int pipe[2];
  ASSERT_EQ(::pipe(pipe), 0);
  held = failure(ErrorCode::internal, "released");
  const pid_t child = ::fork();
  if (child == 0) {
    const auto mine = posix().lock(path("lock"));
    const char told = mine ? 'y' : 'n';
    if (::write(pipe[1], &told, 1) != 1) ::_exit(1);
    ::pause();
  }
  char told = 0;
  ASSERT_EQ(::read(pipe[0], &told, 1), 1);
  EXPECT_EQ(told, 'y');
  const auto refused = posix().lock(path("lock"));
  EXPECT_EQ(code(refused), ErrorCode::in_use);
  EXPECT_NE(refused.error().what().find(fmt::format("(process {})", child)), std::string::npos) << refused.error().what();
  ::kill(child, SIGKILL);
  ::waitpid(child, nullptr, 0);
  EXPECT_TRUE(posix().lock(path("lock")));
  ::close(pipe[0]);
  ::close(pipe[1]);
}

TEST_F(PosixFiles, FoldersCanBeLockedToo) {
  ASSERT_TRUE(posix().make_directory(path("d")));
  const auto held = posix().lock(path("d"));
  ASSERT_TRUE(held) << held.error().text();
  EXPECT_EQ(code(posix().lock(path("d"))), ErrorCode::in_use);
}

TEST_F(PosixFiles, ReservedRoomDoesNotChangeTheSizeAndIsGivenBack) {
  auto file = posix().create(path("journal"));
  ASSERT_TRUE(file);
  ASSERT_TRUE((*file)->write_at(0, Bytes(10)));
  ASSERT_TRUE((*file)->reserve(10, 1 << 20));
  EXPECT_EQ(*(*file)->size(), 10u);
  ASSERT_TRUE((*file)->truncate(10));
  EXPECT_EQ(*(*file)->size(), 10u);
}

TEST_F(PosixFiles, FreeSpaceIsAskedForBeforeAJob) {
  std::array<RoomPart, 2> parts{{{"pass 1", 1}, {"the journal", 1}}};
  EXPECT_TRUE(require_free(posix(), root_, parts));
  parts[0].bytes = std::uint64_t{1} << 60;
  const auto refused = require_free(posix(), root_, parts);
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().code(), ErrorCode::storage_full);
  parts[0].bytes = ~std::uint64_t{0};
  EXPECT_EQ(code(require_free(posix(), root_, parts)), ErrorCode::storage_full);  // no overflow
}

TEST(Space, AFullDiskIsToldWithEachPartTheSumWhatIsThereAndHowMuchToFree) {
  const std::array<RoomPart, 3> parts{{{"pass 1", 96u << 20}, {"later passes", 16u << 20}, {"the journal", 16u << 20}}};
  EXPECT_TRUE(compare_room("case7", 128u << 20, parts));
  const auto refused = compare_room("case7", 28u << 20, parts);
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().what(),
            "96 MiB for pass 1, 16 MiB for later passes and 16 MiB for the journal: 128 MiB in all; the disk of "
            "case7 has 28 MiB free");
  EXPECT_EQ(refused.error().next(), "free 100 MiB on that disk, then run the same command again");
  // Room enough, and yet the disk refused: then a quota may be in the way.
  EXPECT_NE(no_room("writing", "case7", 1u << 30, parts).next().find("quota"), std::string::npos);
}

TEST_F(PosixFiles, AWindowSeesTheSameBytesAsTheFileWhereverItLooks) {
  std::string text(10'000, ' ');
  for (std::size_t i = 0; i < text.size(); ++i) text[i] = static_cast<char>(i * 7 % 251);
  write(path("a"), text);
  auto file = posix().open_read(path("a"));
  ASSERT_TRUE(file);
  Window window(**file, 64);
  for (const std::size_t at : {0u, 10u, 60u, 5000u, 4990u, 9990u, 10'000u, 20'000u})
    for (const std::size_t count : {1u, 20u, 64u, 500u}) {
      const auto seen = window.at(at, count);
      ASSERT_TRUE(seen);
      EXPECT_EQ(as_text(*seen), std::string_view(text).substr(std::min(at, text.size()), count)) << at << " " << count;
    }
}

// F-35: the table of names. `beneath` is for names that come from outside.
TEST_F(PosixFiles, F35NamesThatCouldLeadElsewhereAreRefusedBeneathAFolder) {
  ASSERT_TRUE(posix().make_directory(path("root")));
  write(path("outside"), "secret");
  fs::create_symlink("..", path("root/up"));
  fs::create_symlink("../outside", path("root/link"));
  const auto below = beneath(path("root"));
  ASSERT_TRUE(below);
  FileSystem& system = **below;
  const std::string names[] = {"..",
                               ".",
                               "../outside",
                               "a/../../outside",
                               "/etc/passwd",
                               "a//b",
                               "",
                               "/",
                               "a/",
                               ".hidden",
                               "-rf",
                               "new\nline",
                               "tab\t",
                               std::string("nul\0name", 8),
                               std::string(65, 'a'),
                               std::string(255, 'a'),
                               std::string(5000, 'a'),
                               "caf\xc3\xa9",
                               "\xd0\xb0",
                               "a b",
                               "a:b",
                               "a\\b",
                               "\xff\xfe",
                               "con\x1b[31m",
                               "~",
                               "*",
                               "$(x)"};
  for (const std::string& name : names) {
    const auto made = system.create(name);
    ASSERT_FALSE(made) << name;
    EXPECT_TRUE(made.error().code() == ErrorCode::bad_name || made.error().code() == ErrorCode::bad_input_file ||
                made.error().code() == ErrorCode::not_found || name == ".") << made.error().text();
    EXPECT_FALSE(system.open_read(name)) << name;
    EXPECT_FALSE(system.lock(name) && name != ".") << name;
  }
  for (const std::string name : {"up/outside", "up", "link"}) {
    EXPECT_FALSE(system.open_read(name)) << name;
    EXPECT_FALSE(system.create(name)) << name;
  }
  EXPECT_FALSE(system.create("up/new"));
  EXPECT_FALSE(system.list("up"));
  EXPECT_FALSE(system.rename("link", "../stolen"));
  // A name that other systems keep for devices is only a name here; a trailing dot too.
  for (const std::string& name : {std::string("NUL"), std::string("com1.txt"), std::string("trailing."), std::string(64, 'a')})
    EXPECT_TRUE(system.create(name)) << name;
  ASSERT_TRUE(system.make_directory("sub"));
  EXPECT_TRUE(system.create("sub/file"));
  EXPECT_EQ(system.list("sub")->size(), 1u);
  EXPECT_EQ(std::distance(fs::directory_iterator(root_), fs::directory_iterator()), 2);  // nothing was made outside
}

}  // namespace
}  // namespace steadycell::files
