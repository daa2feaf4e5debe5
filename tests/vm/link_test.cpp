// host/link on a real Linux kernel: libusb on usbfs, hidapi on hidraw. Started by tests/vm/run in its guest, as root.
#include <algorithm>
#include <atomic>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <filesystem>
#include <functional>
#include <optional>
#include <thread>

#include "link/usb.h"
#include "link/usb_events.h"
#include "protocol/frame.h"
#include "protocol/messages.h"
#include "vm/plugged_board.h"

namespace steadycell::vm {
namespace {

namespace asio = boost::asio;
using link::LinkNews;
using namespace std::chrono_literals;
using Kind = LinkNews::Kind;

// The link of a board, with what it tells; news come while until() waits.
struct Host {
  explicit Host(const std::string& serial) {
    // The kernel needs a moment from the plug to the device.
    for (int i = 0; i < 100 && !link; ++i) {
      asio::co_spawn(
          io,
          [](const std::string& name, std::unique_ptr<link::Link>& into) -> asio::awaitable<void> {
            auto opened = co_await link::open_usb(name);
            if (opened) into = std::move(*opened);
          }(serial, link),
          [](const std::exception_ptr&) {});
      io.restart();
      io.run();
      if (!link) std::this_thread::sleep_for(100ms);
    }
    EXPECT_TRUE(link) << "no link to " << serial;
    if (!link) return;
    link->on_news([this](const LinkNews& one) {
      if (one.kind == Kind::meter)
        meter = one.meter;
      else
        news.push_back(one);
    });
  }
  bool until(const std::function<bool()>& so, std::chrono::milliseconds longest = 20s) {
    const auto end = std::chrono::steady_clock::now() + longest;
    while (!so() && std::chrono::steady_clock::now() < end) {
      io.restart();
      io.run_for(5ms);
      std::this_thread::sleep_for(1ms);
    }
    return so();
  }
  bool told(Kind kind, std::size_t times = 1) {
    const auto of_kind = [kind](const LinkNews& n) { return n.kind == kind; };
    return until([&] { return static_cast<std::size_t>(std::count_if(news.begin(), news.end(), of_kind)) >= times; });
  }

  asio::io_context io{1};
  std::vector<LinkNews> news;
  std::optional<scu_meter> meter;
  std::unique_ptr<link::Link> link;
};

Bytes greeting(std::uint32_t id) {
  Bytes out;
  protocol::append_request(SCP_HELLO, 0, id, protocol::encode(protocol::Hello{}), out);
  return out;
}

// `answered` once the greeting is; until then it waits.
asio::awaitable<void> greet(link::Link& link, std::uint32_t id, bool& answered) {
  const Bytes out = greeting(id);
  Bytes in(64 << 10);
  const auto sent = co_await link.write(out);
  protocol::FrameReader frames;
  while (sent && !answered) {
    const auto got = co_await link.read_some(in);
    if (!got) co_return;
    ByteSpan bytes = ByteSpan(in).first(*got);
    while (const auto frame = frames.next(bytes))
      if (frame->header.type == (SCP_HELLO | SCP_ANSWER) && frame->header.request_id == id) answered = true;
  }
}

bool greeted(Host& host, std::uint32_t id) {
  bool answered = false, over = false;
  asio::co_spawn(host.io, greet(*host.link, id, answered), [&over](const std::exception_ptr&) { over = true; });
  if (!host.until([&] { return over; })) {
    host.link->close();
    EXPECT_TRUE(host.until([&] { return over; }));
  }
  return answered;
}

TEST(VmLink, F04_AStallOfEitherEndpointIsClearedByTheLinkItself) {
  Board board(33);
  Host host(board.serial);
  ASSERT_TRUE(host.link);
  ASSERT_TRUE(greeted(host, 1));
  board.fault("stall-in");  // where the next answer was to go
  const Bytes lost = greeting(2);
  asio::co_spawn(host.io, host.link->write(lost), [](const std::exception_ptr&, const Result<void>& sent) { EXPECT_TRUE(sent); });
  ASSERT_TRUE(host.told(Kind::recovery));
  ASSERT_TRUE(host.until([&] { return !host.link->recovering(); }));
  EXPECT_TRUE(greeted(host, 22));
  board.fault("stall-out");
  EXPECT_TRUE(greeted(host, 3));
  EXPECT_EQ(host.news.size(), 2u);
  for (const LinkNews& one : host.news) {
    std::printf("   %s\n", one.text.c_str());
    EXPECT_NE(one.text.find("halts cleared"), std::string::npos) << one.text;
  }
}

TEST(VmLink, F04_EveryRungOfTheLadderLeavesAStreamThatWorks) {
  Board board(34);
  Host host(board.serial);
  ASSERT_TRUE(host.link);
  std::uint32_t id = 1;
  for (const link::Rung rung : link::kLadder) {
    ASSERT_TRUE(host.link->recover(rung, "asked for by a test"));
    ASSERT_TRUE(host.until([&] { return !host.link->recovering(); }));
    EXPECT_TRUE(greeted(host, id++));
  }
  EXPECT_EQ(host.news.size(), 3u);
  for (const LinkNews& one : host.news) {
    std::printf("   %s\n", one.text.c_str());
    EXPECT_EQ(one.text.find("failed"), std::string::npos) << one.text;
  }
}

// Nothing is in flight here, so only libusb's plugging events can tell.
TEST(VmLink, R10_LibusbTellsThatABoardLeftTheBus) {
  Board board(35);
  link::UsbCalls& usb = link::real_usb();
  const auto events = link::UsbEvents::get(usb);
  ASSERT_TRUE(events);
  const auto find = [&]() -> libusb_device* {
    libusb_device** list = nullptr;
    libusb_device* found = nullptr;
    const ssize_t n = usb.device_list((*events)->context(), &list);
    for (ssize_t i = 0; i < n; ++i)
      if (usb.serial(list[i]) == board.serial) found = libusb_ref_device(list[i]);
    usb.free_device_list(list);
    return found;
  };
  libusb_device* device = nullptr;
  for (int i = 0; i < 100 && (device = find()) == nullptr; ++i) std::this_thread::sleep_for(100ms);
  ASSERT_NE(device, nullptr);
  std::atomic<bool> left = false;
  (*events)->when_gone(device, [&left] { left = true; });
  const auto began = std::chrono::steady_clock::now();
  board.fault("unplug");
  while (!left && std::chrono::steady_clock::now() - began < 10s) std::this_thread::sleep_for(1ms);
  EXPECT_TRUE(left);
  std::printf("   told %.0f ms after the plug was pulled\n",
              std::chrono::duration<double, std::milli>(std::chrono::steady_clock::now() - began).count());
  (*events)->forget(device);
  libusb_unref_device(device);
}

TEST(VmLink, R15_AnUnpluggedBoardsLinkEndsAndSaysSo) {
  Board board(36);
  Host host(board.serial);
  ASSERT_TRUE(host.link);
  ASSERT_TRUE(greeted(host, 1));
  std::string told;
  asio::co_spawn(
      host.io,
      [](link::Link& waiting, std::string& end) -> asio::awaitable<void> {
        const auto got = co_await waiting.read_view({});
        end = got ? "bytes" : got.error().text();
      }(*host.link, told),
      [](const std::exception_ptr&) {});
  board.fault("unplug");
  EXPECT_TRUE(host.until([&] { return !told.empty(); }, 10s));
  EXPECT_NE(told.find("unplugged"), std::string::npos) << told;
  EXPECT_FALSE(greeted(host, 2));
}

// The HID interface of a board, as usbhid names it: "1-1:1.1".
std::string hid_interface(const std::string& serial) {
  for (const auto& entry : std::filesystem::directory_iterator("/sys/bus/usb/devices")) {
    std::string text;
    std::ifstream(entry.path() / "serial") >> text;
    if (text == serial) return entry.path().filename().string() + ":1.1";
  }
  return {};
}

void usbhid(const char* verb, const std::string& interface) {
  std::ofstream(std::string("/sys/bus/usb/drivers/usbhid/") + verb) << interface << std::flush;
}

TEST(VmLink, HidKeepsAndCutsTheRailsGoesAndComesBackWhileTheStreamStays) {
  Board board(31), other(32);
  Host host(board.serial);
  ASSERT_TRUE(host.link);
  host.link->open_side(board.serial);
  ASSERT_TRUE(host.told(Kind::side_found));
  ASSERT_TRUE(host.until([&] { return host.meter.has_value(); }));
  EXPECT_EQ(hex(host.meter->uuid), board.serial) << "of two boards the one of the stream";
  host.link->heartbeat_beside();
  EXPECT_TRUE(host.until([&] { return host.meter->heartbeat_token != 0; }));
  const auto token = host.link->cut_rails_beside();
  EXPECT_TRUE(host.until([&] { return host.meter->rails_off_token == token; }));

  const std::string interface = hid_interface(board.serial);
  usbhid("unbind", interface);
  ASSERT_TRUE(host.told(Kind::side_lost));
  EXPECT_EQ(host.link->cut_rails_beside(), 0u);
  usbhid("bind", interface);
  ASSERT_TRUE(host.told(Kind::side_found, 2));
  for (const LinkNews& one : host.news)
    if (!one.text.empty()) std::printf("   %s\n", one.text.c_str());
}

}  // namespace
}  // namespace steadycell::vm
