#include "cli/daemon_process.h"

#include "service/own_system.h"

namespace steadycell::cli {
namespace {

// With what systemd shows.
class DoctorsSystem : public testing::OwnSystem {};

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
