#include "cli/doctor.h"

#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>

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

TEST_F(DoctorsSystem, NoRuleIsANoteWhileBoardsAreReachedWithoutUsb) { EXPECT_EQ(check_device_rules(root_).state, State::note); }

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
