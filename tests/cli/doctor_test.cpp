#include "cli/doctor.h"

#include <fmt/format.h>
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>

#include "steadycell/usb.h"

namespace steadycell::cli {
namespace {

using State = Finding::State;

// A system of our own: what udev(7) and the kernel show, under a folder. The rules that a file must keep (lower-case hex, below 73
// for uaccess, one rule a node) are common practice of udev rule files; 73-seat-late.rules is systemd's.
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

constexpr const char* kUsb = R"(SUBSYSTEM=="usb", ATTR{idVendor}=="1a2b", ATTR{idProduct}=="3c4d", GROUP="steadycell", MODE="0660", TAG+="uaccess", ATTR{power/control}="on")" "\n";
constexpr const char* kHid = R"(SUBSYSTEM=="hidraw", ATTRS{idVendor}=="1a2b", ATTRS{idProduct}=="3c4d", GROUP="steadycell", MODE="0660", TAG+="uaccess")" "\n";

TEST_F(DoctorsSystem, NoRuleIsANoteWithACure) {
  const Finding found = check_device_rules(root_);
  EXPECT_EQ(found.state, State::note);  // boards on a socket need none
  EXPECT_NE(found.cure.find("70-steadycell.rules"), std::string::npos);
}

TEST_F(DoctorsSystem, R03TheRuleThatIsShippedKeepsTheRulesAndNamesTheBoard) {
  std::filesystem::create_directories(root_ + "/etc/udev/rules.d");
  std::filesystem::copy_file(STEADYCELL_SOURCE_DIR "/host/install/70-steadycell.rules", root_ + "/etc/udev/rules.d/70-steadycell.rules");
  EXPECT_EQ(check_device_rules(root_).state, State::good);
  write("/sys/module/usbcore/parameters/autosuspend", "2\n");
  EXPECT_EQ(check_usb_suspend(root_).state, State::good);
  std::ifstream file(root_ + "/etc/udev/rules.d/70-steadycell.rules");
  std::string line;
  int rules = 0;
  while (std::getline(file, line)) {
    if (!line.starts_with("SUBSYSTEM")) continue;
    ++rules;
    EXPECT_NE(line.find(fmt::format("{{idVendor}}==\"{:04x}\"", int{SCU_VENDOR})), std::string::npos) << line;
    EXPECT_NE(line.find(fmt::format("{{idProduct}}==\"{:04x}\"", int{SCU_PRODUCT})), std::string::npos) << line;
  }
  EXPECT_EQ(rules, 2);
}

// sd_booted(3) of systemd 252: the system was started by systemd when /run/systemd/system is a directory (looked at without following links).
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

TEST_F(DoctorsSystem, UsbMemoryIsTold) {
  EXPECT_EQ(check_usb_memory(root_).state, State::note);
  for (const auto& [text, state] : {std::pair<const char*, State>{"16\n", State::good}, {"0\n", State::good}, {"4\n", State::good}, {"2\n", State::note}, {"x\n", State::note}}) {
    write("/sys/module/usbcore/parameters/usbfs_memory_mb", text);
    EXPECT_EQ(check_usb_memory(root_).state, state) << text;
  }
}

TEST_F(DoctorsSystem, UsbBoardsAreJudged) {
  write("/node", "");
  const link::UsbBoard good{.place = "1-1", .node = root_ + "/node", .serial = "aa", .full_speed = false};
  link::UsbBoard slow = good, forbidden = good;
  slow.full_speed = true;
  forbidden.node = root_ + "/not-there";  // root may open whatever is there
  using Boards = std::vector<link::UsbBoard>;
  EXPECT_EQ(judge_usb_boards(Boards{}).state, State::good);
  EXPECT_EQ(judge_usb_boards(Boards{good}).state, State::good);
  for (const Boards& boards : {Boards{slow}, Boards{forbidden}, Boards{good, good}}) {
    const Finding found = judge_usb_boards(boards);
    EXPECT_NE(found.state, State::good);
    EXPECT_FALSE(found.cure.empty());
  }
  EXPECT_EQ(judge_usb_boards(failure(ErrorCode::link_open_failed, "no libusb")).state, State::note);
}

TEST_F(DoctorsSystem, RuleForBothNodesIsGood) {
  write("/etc/udev/rules.d/70-steadycell.rules", std::string("# MODE=\"0666\" would be wrong\n") + kUsb + kHid);
  EXPECT_EQ(check_device_rules(root_).state, State::good);
}

TEST_F(DoctorsSystem, RuleThatCannotWorkIsAProblemWithACure) {
  const std::string usb = kUsb, hid = kHid;
  std::string upper = usb, hexed = usb, open = usb;
  upper.replace(upper.find("1a2b"), 4, "1A2B");
  hexed.replace(hexed.find("1a2b"), 4, "0x1a2b");
  open.replace(open.find("0660"), 4, "0666");
  for (const auto& [name, rules] : {std::pair<std::string, std::string>{"70-steadycell.rules", usb}, {"70-steadycell.rules", hid}, {"90-steadycell.rules", usb + hid},
                                    {"70-steadycell.rules", upper + hid}, {"70-steadycell.rules", hexed + hid}, {"70-steadycell.rules", open + hid}}) {
    write("/etc/udev/rules.d/" + name, rules);
    const Finding found = check_device_rules(root_);
    EXPECT_EQ(found.state, State::problem) << name << rules;
    EXPECT_FALSE(found.cure.empty());
    std::filesystem::remove(root_ + "/etc/udev/rules.d/" + name);
  }
}

TEST_F(DoctorsSystem, UsbSuspendIsTold) {
  EXPECT_EQ(check_usb_suspend(root_).state, State::note);  // a kernel without USB
  write("/sys/module/usbcore/parameters/autosuspend", "-1\n");
  EXPECT_EQ(check_usb_suspend(root_).state, State::good);
  write("/sys/module/usbcore/parameters/autosuspend", "2\n");
  const Finding suspends = check_usb_suspend(root_);
  EXPECT_EQ(suspends.state, State::note);
  EXPECT_NE(suspends.found.find("after 2 s"), std::string::npos);
  EXPECT_FALSE(suspends.cure.empty());
  write("/usr/lib/udev/rules.d/70-steadycell.rules", kUsb);
  EXPECT_EQ(check_usb_suspend(root_).state, State::good);
}

}  // namespace
}  // namespace steadycell::cli
