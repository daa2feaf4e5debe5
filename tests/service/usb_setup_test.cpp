#include "service/usb_setup.h"

#include <fmt/format.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <cstdlib>
#include <filesystem>
#include <fstream>

#include "link/fake_usb.h"
#include "service/hold.h"
#include "service/own_system.h"
#include "steadycell/usb.h"

namespace steadycell::service {
namespace {

using State = Finding::State;

// A system of our own: what udev(7) and the kernel show, under a folder. The rules that a file must keep (lower-case hex, below 73
// for uaccess, one rule a node) are common practice of udev rule files; 73-seat-late.rules is systemd's.
class UsbSetup : public testing::OwnSystem {};

constexpr const char* kUsb =
    R"(SUBSYSTEM=="usb", ATTR{idVendor}=="1a2b", ATTR{idProduct}=="3c4d", GROUP="steadycell", MODE="0660", TAG+="uaccess", ATTR{power/control}="on")"
    "\n";
constexpr const char* kHid =
    R"(SUBSYSTEM=="hidraw", ATTRS{idVendor}=="1a2b", ATTRS{idProduct}=="3c4d", GROUP="steadycell", MODE="0660", TAG+="uaccess")"
    "\n";

TEST_F(UsbSetup, NoRuleIsANoteWithACure) {
  const Finding found = check_device_rules(root_);
  EXPECT_EQ(found.state, State::note);  // boards on a socket need none
  EXPECT_NE(found.cure.find("70-steadycell.rules"), std::string::npos);
}

TEST_F(UsbSetup, R03TheRuleThatIsShippedKeepsTheRulesAndNamesTheBoard) {
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

TEST_F(UsbSetup, UsbMemoryIsTold) {
  EXPECT_EQ(check_usb_memory(root_).state, State::note);
  for (const auto& [text, state] : {std::pair<const char*, State>{"16\n", State::good},
                                    {"0\n", State::good},
                                    {"4\n", State::good},
                                    {"2\n", State::note},
                                    {"x\n", State::note}}) {
    write("/sys/module/usbcore/parameters/usbfs_memory_mb", text);
    EXPECT_EQ(check_usb_memory(root_).state, state) << text;
  }
}

TEST_F(UsbSetup, UsbBoardsAreJudged) {
  write("/node", "");
  const link::UsbBoard good{
      .place = "1-1", .node = root_ + "/node", .serial = "aa", .full_speed = false, .speed = {}, .release = {}, .driver = {}};
  link::UsbBoard slow = good, forbidden = good, twin = good;
  slow.full_speed = true;
  twin.place = "1-2";
  forbidden.node = root_ + "/not-there";  // root may open whatever is there
  using Boards = std::vector<link::UsbBoard>;
  EXPECT_EQ(judge_usb_boards(Boards{}, root_).state, State::good);
  EXPECT_EQ(judge_usb_boards(Boards{good}, root_).state, State::good);
  for (const Boards& boards : {Boards{slow}, Boards{forbidden}, Boards{good, twin}}) {
    const Finding found = judge_usb_boards(boards, root_);
    EXPECT_NE(found.state, State::good);
    EXPECT_FALSE(found.cure.empty());
  }
  EXPECT_EQ(judge_usb_boards(failure(ErrorCode::link_open_failed, "no libusb"), root_).state, State::note);
}

TEST_F(UsbSetup, RuleForBothNodesIsGood) {
  write("/etc/udev/rules.d/70-steadycell.rules", std::string("# MODE=\"0666\" would be wrong\n") + kUsb + kHid);
  EXPECT_EQ(check_device_rules(root_).state, State::good);
}

TEST_F(UsbSetup, RuleThatCannotWorkIsAProblemWithACure) {
  const std::string usb = kUsb, hid = kHid;
  std::string upper = usb, hexed = usb, open = usb;
  upper.replace(upper.find("1a2b"), 4, "1A2B");
  hexed.replace(hexed.find("1a2b"), 4, "0x1a2b");
  open.replace(open.find("0660"), 4, "0666");
  for (const auto& [name, rules] : {std::pair<std::string, std::string>{"70-steadycell.rules", usb},
                                    {"70-steadycell.rules", hid},
                                    {"90-steadycell.rules", usb + hid},
                                    {"70-steadycell.rules", upper + hid},
                                    {"70-steadycell.rules", hexed + hid},
                                    {"70-steadycell.rules", open + hid}}) {
    write("/etc/udev/rules.d/" + name, rules);
    const Finding found = check_device_rules(root_);
    EXPECT_EQ(found.state, State::problem) << name << rules;
    EXPECT_FALSE(found.cure.empty());
    std::filesystem::remove(root_ + "/etc/udev/rules.d/" + name);
  }
}

TEST_F(UsbSetup, UsbSuspendIsTold) {
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

// ---- board list ----

constexpr const char* kSerial = "f81d4fae7dec11d0a76500a0c91e6bf6";
constexpr const char* kUuid = "f81d4fae-7dec-11d0-a765-00a0c91e6bf6";  // RFC 4122 section 3

class BoardList : public UsbSetup {
 protected:
  void SetUp() override {
    UsbSetup::SetUp();
    setenv("XDG_RUNTIME_DIR", root_.c_str(), 1);
    write("/node", "");
  }
  json::Object list() {
    auto told = usb_boards(usb_, root_);
    EXPECT_TRUE(told);
    EXPECT_EQ(usb_.opens, 0) << "nothing is asked of a board";
    return told ? std::move(*told) : json::Object();
  }
  json::Object only() {
    const json::Object told = list();
    EXPECT_EQ(told.at("boards").get_array().size(), 1u);
    EXPECT_TRUE(told.at("next").is_null());
    return told.at("boards").get_array().at(0).get_object();
  }
  static std::string remarks(const json::Object& board) { return json::text_of(board.at("remarks")); }

  link::testing::FakeUsb usb_;
  link::testing::FakeUsb::Device board() const { return {.place = "1-2.3", .serial = kSerial, .node = root_ + "/node"}; }
};

TEST_F(BoardList, WithNoneSaysWhatToDo) {
  const json::Object told = list();
  EXPECT_TRUE(told.at("boards").get_array().empty());
  EXPECT_NE(std::string(told.at("next").get_string()).find("plug the board"), std::string::npos);
}

TEST_F(BoardList, NamesPlaceSpeedAndReleaseOfAGoodOneWithoutARemark) {
  usb_.devices = {{.place = "1-1", .serial = "x", .vendor = 0x1234}, board()};
  const json::Object found = only();
  EXPECT_EQ(found.at("board").get_string(), std::string("usb:") + kUuid);
  EXPECT_EQ(found.at("uuid").get_string(), kUuid);
  EXPECT_EQ(found.at("place").get_string(), "1-2.3");
  EXPECT_EQ(found.at("speed").get_string(), "high speed (480 Mbit/s)");  // USB 2.0
  EXPECT_EQ(found.at("device_release").get_string(), "0.10");            // bcdDevice 0x0010, binary-coded decimal
  EXPECT_TRUE(found.at("permitted").get_bool());
  EXPECT_TRUE(found.at("held").is_null());
  EXPECT_EQ(remarks(found), "[]");
}

TEST_F(BoardList, R21FullSpeedIsAWarning) {
  usb_.devices = {board()};
  usb_.devices[0].speed = LIBUSB_SPEED_FULL;
  const json::Object found = only();
  EXPECT_EQ(found.at("speed").get_string(), "full speed (12 Mbit/s)");
  EXPECT_NE(remarks(found).find("full speed instead of high speed"), std::string::npos);
  EXPECT_FALSE(found.at("remarks").get_array().at(0).get_object().at("problem").get_bool());
}

TEST_F(BoardList, R01NoPermissionNamesTheRuleThatIsMissingOrThere) {
  usb_.devices = {board()};
  usb_.devices[0].node = root_ + "/not-there";  // root may open whatever is there
  json::Object found = only();
  EXPECT_FALSE(found.at("permitted").get_bool());
  EXPECT_TRUE(found.at("remarks").get_array().at(0).get_object().at("problem").get_bool());
  EXPECT_NE(remarks(found).find("copy host/install/70-steadycell.rules to /etc/udev/rules.d"), std::string::npos);
  write("/etc/udev/rules.d/70-steadycell.rules", std::string(kUsb) + kHid);
  found = only();
  EXPECT_NE(remarks(found).find("70-steadycell.rules is there: join the group steadycell"), std::string::npos) << remarks(found);
}

TEST_F(BoardList, R19TwoWithOneSerialAreToBeNamedByPlace) {
  usb_.devices = {board(), board()};
  usb_.devices[1].place = "1-4";
  const json::Object told = list();
  const json::Array& boards = told.at("boards").get_array();
  EXPECT_EQ(boards.at(0).get_object().at("board").get_string(), "usb:1-2.3");
  EXPECT_EQ(boards.at(1).get_object().at("board").get_string(), "usb:1-4");
  EXPECT_NE(remarks(boards.at(0).get_object()).find("say they are the same board"), std::string::npos);
}

TEST_F(BoardList, ADeviceWithoutAUuidIsNamedByPlace) {
  usb_.devices = {board()};
  usb_.devices[0].serial = "\x1b[2Jnobody";
  const json::Object found = only();
  EXPECT_EQ(found.at("board").get_string(), "usb:1-2.3");
  EXPECT_TRUE(found.at("uuid").is_null());
  EXPECT_NE(remarks(found).find("no UUID"), std::string::npos);
}

TEST_F(BoardList, SaysWhoHoldsItOrThatAStrangerDoes) {
  usb_.devices = {board()};
  usb_.devices[0].driver = "usbfs";
  EXPECT_NE(remarks(only()).find("another program has the board's interface 0"), std::string::npos);
  boost::asio::io_context io;
  boost::asio::co_spawn(
      io,
      [this]() -> boost::asio::awaitable<void> {
        const Holder who{
            .board = kUuid, .program = "steadycell", .method = "chip.read", .process = ::getpid(), .since = "2026-03-02T09:15:00Z"};
        const auto hold = co_await BoardHold::take(who, nullptr);
        EXPECT_TRUE(hold);
        const json::Object found = only();
        EXPECT_EQ(remarks(found), "[]") << "who has the interface is known";
        EXPECT_EQ(found.at("held").get_object().at("method").get_string(), "chip.read");
      },
      boost::asio::detached);
  io.run();
  usb_.devices[0].driver = "cdc_acm";
  EXPECT_NE(remarks(only()).find("the kernel's driver cdc_acm"), std::string::npos);
}

TEST_F(BoardList, WithoutUsbItIsEmptyAndSaysWhy) {
  usb_.init_status = LIBUSB_ERROR_OTHER;
  const json::Object told = list();
  EXPECT_TRUE(told.at("boards").get_array().empty());
  EXPECT_NE(json::text_of(told.at("findings")).find("USB cannot be used here"), std::string::npos);
}

}  // namespace
}  // namespace steadycell::service
