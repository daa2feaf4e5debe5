#include "cli/daemon_process.h"

#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>

namespace steadycell::cli {
namespace {

// A system of our own: what systemd shows, under a folder.
class DoctorsSystem : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string pattern = (std::filesystem::temp_directory_path() / "steadycell-doctor-XXXXXX").string();
    ASSERT_NE(mkdtemp(pattern.data()), nullptr);
    root_ = pattern;
  }
  void TearDown() override { std::filesystem::remove_all(root_); }
  void write(const std::string& path, const std::string& text) {
    std::filesystem::create_directories(std::filesystem::path(root_ + path).parent_path());
    std::ofstream(root_ + path) << text;
  }
  std::string root_;
};

// sd_booted(3) of systemd 252: the system was started by systemd when /run/systemd/system is a directory (looked at without following
// links).
TEST_F(DoctorsSystem, SystemctlIsAdvisedWhereSystemdRunsAndHasTheUnit) {
  EXPECT_NE(how_to_start_daemon(root_).find("run steadycelld"), std::string::npos);
  write("/usr/lib/systemd/user/steadycelld.socket", "[Socket]\n");
  EXPECT_NE(how_to_start_daemon(root_).find("run steadycelld"), std::string::npos);
  std::filesystem::create_directories(root_ + "/run/systemd");
  std::filesystem::create_directory_symlink("/", root_ + "/run/systemd/system");
  EXPECT_NE(how_to_start_daemon(root_).find("run steadycelld"), std::string::npos);
  std::filesystem::remove(root_ + "/run/systemd/system");
  std::filesystem::create_directories(root_ + "/run/systemd/system");
  EXPECT_EQ(how_to_start_daemon(root_), "systemctl --user enable --now steadycelld.socket");
}

}  // namespace
}  // namespace steadycell::cli
