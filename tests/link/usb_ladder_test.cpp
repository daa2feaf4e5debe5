#include <chrono>
#include <functional>

#include "link/usb_bench.h"

// What a link does when its board stalls, falls silent or leaves.
namespace steadycell::link {
namespace {

using namespace testing;
using namespace std::chrono_literals;

// ---- The ladder (R-26) ----

// Notes what is told of the ladder, and does something on each rung: the transfers in flight would take all that lay ready at once.
class Rungs {
 public:
  Rungs(Link& link, std::function<void(const std::string&)> then = {}) : link_(link) {
    link.on_news([this, then = std::move(then)](const LinkNews& news) {
      told.push_back(news.text);
      if (then) then(news.text);
    });
  }
  ~Rungs() { link_.on_news({}); }
  Rungs(const Rungs&) = delete;
  Rungs& operator=(const Rungs&) = delete;

  std::vector<std::string> told;

 private:
  Link& link_;
};

TEST(UsbLadder, F04_AStallIsClearedWithNothingInFlightAndReadingGoesOn) {
  FakeUsb usb;
  with_link(usb, [](FakeUsb& calls, Link& link) -> asio::awaitable<void> {
    const Rungs rungs(link);
    calls.answer({.status = LIBUSB_TRANSFER_STALL, .bytes = {'p'}});
    EXPECT_EQ(co_await read_text(link), "p");
    calls.answer({.bytes = {'q'}});
    EXPECT_EQ(co_await read_text(link), "q");
    EXPECT_EQ(calls.halts_cleared_in_flight, 0);
    EXPECT_EQ(rungs.told.size(), 1u);
    EXPECT_EQ(calls.settings + calls.resets, 0) << "the first rung was enough";
    calls.take({.status = LIBUSB_TRANSFER_STALL, .took = 1});
    const Bytes out{7, 8, 9};
    EXPECT_TRUE(co_await link.write(out));
    EXPECT_EQ(calls.written(), out) << "what went over is not sent twice";
    EXPECT_EQ(rungs.told.size(), 2u);
  });
}

TEST(UsbLadder, F04_StallsWithoutAByteBetweenClimbRungByRungThenGiveUp) {
  FakeUsb usb;
  with_link(usb, [](FakeUsb& calls, Link& link) -> asio::awaitable<void> {
    const Rungs rungs(link, [&calls](const std::string&) { calls.answer({.status = LIBUSB_TRANSFER_STALL}); });
    calls.answer({.status = LIBUSB_TRANSFER_STALL});
    const std::string end = co_await read_text(link, 300);
    EXPECT_NE(end.find("stalls"), std::string::npos) << end;
    EXPECT_NE(end.find("in vain"), std::string::npos) << end;
    EXPECT_EQ(rungs.told.size(), 3u);
    if (rungs.told.size() == 3) {
      EXPECT_NE(rungs.told[0].find("halts cleared"), std::string::npos);
      EXPECT_NE(rungs.told[1].find("claimed again"), std::string::npos);
      EXPECT_NE(rungs.told[2].find("port reset"), std::string::npos);
    }
    EXPECT_EQ(calls.settings, 1);
    EXPECT_EQ(calls.resets, 1);
    EXPECT_FALSE(link.recover(Rung::clear_halts, "no answer")) << "nothing is left";
  });
}

TEST(UsbLadder, F04_BytesBetweenTwoStallsBeginTheLadderAnew) {
  FakeUsb usb;
  with_link(usb, [](FakeUsb& calls, Link& link) -> asio::awaitable<void> {
    const Rungs rungs(link, [&calls](const std::string&) { calls.answer({.bytes = {'x'}}); });
    for (int i = 0; i < 6; ++i) {
      calls.answer({.status = LIBUSB_TRANSFER_STALL});
      EXPECT_EQ(co_await read_text(link), "x");
    }
    EXPECT_EQ(rungs.told.size(), 6u);
    EXPECT_EQ(calls.settings + calls.resets, 0);
  });
}

void fail_on_end(FakeUsb& usb) {
  for (int i = 0; i < 8; ++i) usb.answer({.status = i % 2 == 0 ? LIBUSB_TRANSFER_ERROR : LIBUSB_TRANSFER_OVERFLOW});
}

TEST(UsbLadder, FaultsOnEndClimbToo) {
  FakeUsb usb;
  with_link(usb, [](FakeUsb& calls, Link& link) -> asio::awaitable<void> {
    const Rungs rungs(link, [&calls](const std::string&) { fail_on_end(calls); });
    fail_on_end(calls);
    EXPECT_NE((co_await read_text(link, 300)).find("in vain"), std::string::npos);
    EXPECT_EQ(rungs.told.size(), 3u);
    EXPECT_EQ(calls.resets, 1);
  });
}

TEST(UsbLadder, ARungThatFailsLeadsToTheNext) {
  FakeUsb usb;
  usb.clear_status = usb.reclaim_status = LIBUSB_ERROR_PIPE;
  with_link(usb, [](FakeUsb& calls, Link& link) -> asio::awaitable<void> {
    const Rungs rungs(link, [&calls](const std::string& text) {
      if (text.ends_with("port reset")) calls.answer({.bytes = {'y'}});
    });
    calls.answer({.status = LIBUSB_TRANSFER_STALL});
    EXPECT_EQ(co_await read_text(link), "y");
    EXPECT_EQ(rungs.told.size(), 3u);
    EXPECT_EQ(calls.settings, 1);
    EXPECT_EQ(calls.resets, 1);
  });
}

TEST(UsbLadder, APortResetThatMakesAnotherDeviceOfItIsAnUnplug) {
  FakeUsb usb;
  usb.clear_status = usb.reclaim_status = LIBUSB_ERROR_PIPE;
  usb.reset_status = LIBUSB_ERROR_NOT_FOUND;
  usb.answer({.status = LIBUSB_TRANSFER_STALL});
  with_link(usb, [](FakeUsb&, Link& link) -> asio::awaitable<void> {
    EXPECT_NE((co_await read_text(link, 300)).find("unplugged"), std::string::npos);
  });
}

TEST(UsbLadder, ASilentBoardsLinkIsRecoveredOnRequestAndAHaltThatIsSlowToClearHoldsNobodyUp) {
  FakeUsb usb;
  usb.clear_takes = 100ms;
  with_link(usb, [](FakeUsb& calls, Link& link) -> asio::awaitable<void> {
    const auto began = std::chrono::steady_clock::now();
    EXPECT_TRUE(link.recover(Rung::clear_halts, "no answer"));
    EXPECT_TRUE(link.recovering());
    EXPECT_LT(std::chrono::steady_clock::now() - began, 90ms) << "it waits on a thread of its own";
    calls.answer({.bytes = {'r'}});
    EXPECT_EQ(co_await read_text(link), "r");
    EXPECT_FALSE(link.recovering());
  });
}

TEST(UsbLadder, BytesDoNotTakeARungBackFromWhoAsksForAHigherOne) {
  FakeUsb usb;
  with_link(usb, [](FakeUsb& calls, Link& link) -> asio::awaitable<void> {
    const Rungs rungs(link, [&calls](const std::string&) { calls.answer({.bytes = {'s'}}); });
    for (const Rung rung : kLadder) {
      EXPECT_TRUE(link.recover(rung, "no answer"));
      EXPECT_EQ(co_await read_text(link), "s");
    }
    EXPECT_EQ(calls.halts_cleared, 2) << "one on each endpoint";
    EXPECT_EQ(calls.settings, 1);
    EXPECT_EQ(calls.resets, 1);
  });
}

TEST(UsbLadder, R13AClosedLinkTakesNoFurtherRungAndIsGivenBack) {
  FakeUsb usb;
  usb.clear_takes = 50ms;
  with_link(usb, [](FakeUsb&, Link& link) -> asio::awaitable<void> {
    EXPECT_TRUE(link.recover(Rung::clear_halts, "no answer"));
    link.close();
    EXPECT_FALSE(link.recover(Rung::clear_halts, "no answer"));
    co_return;
  });
  EXPECT_EQ(usb.resets, 0);
}

// Waits until the event thread has told so many plugging events, and the executor has done what was posted.
asio::awaitable<void> until_told(FakeUsb& usb, int events) {
  asio::steady_timer pause(co_await asio::this_coro::executor);
  for (int i = 0; i < 2000 && usb.plug_events_told < events; ++i) {
    pause.expires_after(1ms);
    co_await pause.async_wait(asio::use_awaitable);
  }
  EXPECT_EQ(usb.plug_events_told, events);
}

TEST(UsbHotplug, ABoardThatLeftEndsReadAndWriteAtOnceThoughTheKernelKeepsTheTransfers) {
  FakeUsb usb;
  usb.keeps_transfers = true;
  with_link(usb, [](FakeUsb& calls, Link& link) -> asio::awaitable<void> {
    calls.plug_event(calls.devices[0]);
    EXPECT_NE((co_await read_text(link)).find("usb:1-2.3: unplugged"), std::string::npos);
    const Bytes one(1);
    const auto written = co_await link.write(one);
    EXPECT_FALSE(written);
    EXPECT_FALSE(link.recover(Rung::clear_halts, "no answer")) << "nothing is left to recover";
    calls.keeps_transfers = false;
  });
}

TEST(UsbHotplug, AWriteThatIsUnderWayEndsToo) {
  FakeUsb usb;
  usb.keeps_transfers = true;
  with_link(usb, [](FakeUsb& calls, Link& link) -> asio::awaitable<void> {
    asio::steady_timer soon(co_await asio::this_coro::executor, 20ms);
    soon.async_wait([&calls](const boost::system::error_code&) { calls.plug_event(calls.devices[0]); });
    const Bytes one(1);
    const auto written = co_await link.write(one);
    EXPECT_FALSE(written);
    EXPECT_NE(written.error().text().find("unplugged"), std::string::npos);
    calls.keeps_transfers = false;
  });
}

TEST(UsbHotplug, WhatHadArrivedIsReadFirst) {
  FakeUsb usb;
  with_link(usb, [](FakeUsb& calls, Link& link) -> asio::awaitable<void> {
    calls.answer({.bytes = {'a', 'b'}});
    EXPECT_EQ(co_await read_text(link, 1), "a");
    calls.answer({.bytes = {'c'}});
    while (calls.in_flight() > kMostTransfers - 2) std::this_thread::sleep_for(1ms);
    calls.plug_event(calls.devices[0]);
    co_await until_told(calls, 1);
    EXPECT_EQ(co_await read_text(link), "b");
    EXPECT_EQ(co_await read_text(link), "c");
    EXPECT_NE((co_await read_text(link)).find("unplugged"), std::string::npos);
  });
}

TEST(UsbHotplug, R12OtherBoardsArrivalsAndUnknownDevicesAreNothingAndTwiceIsOnce) {
  FakeUsb usb;
  usb.devices = {kBoard, {.place = "1-2.4", .serial = "other"}};
  asio::io_context context;
  run(context, [](FakeUsb& calls) -> asio::awaitable<void> {
    const auto first = co_await open_usb("1-2.3", calls), second = co_await open_usb("1-2.4", calls);
    EXPECT_TRUE(first && second);
    if (!first || !second) co_return;
    const FakeUsb::Device stranger;
    calls.plug_event(stranger);
    calls.plug_event(calls.devices[0], LIBUSB_HOTPLUG_EVENT_DEVICE_ARRIVED);
    calls.plug_event(calls.devices[1]);
    calls.plug_event(calls.devices[1]);
    co_await until_told(calls, 4);
    EXPECT_NE((co_await read_text(**second)).find("unplugged"), std::string::npos);
    calls.answer({.bytes = {'s', 't', 'a', 'y', 's'}});
    EXPECT_EQ(co_await read_text(**first), "stays");
  }(usb));
  EXPECT_EQ(usb.watches, 0);
}

TEST(UsbHotplug, InTheMiddleOfARecoveryThatHangsItEndsTheLink) {
  FakeUsb usb;
  usb.clear_takes = 200ms;
  with_link(usb, [](FakeUsb& calls, Link& link) -> asio::awaitable<void> {
    EXPECT_TRUE(link.recover(Rung::clear_halts, "no answer"));
    calls.plug_event(calls.devices[0]);
    const auto began = std::chrono::steady_clock::now();
    EXPECT_NE((co_await read_text(link)).find("unplugged"), std::string::npos);
    EXPECT_LT(std::chrono::steady_clock::now() - began, 150ms) << "it does not wait for the rung";
    EXPECT_FALSE(link.recovering());
  });
  EXPECT_EQ(usb.settings + usb.resets, 0) << "no further rung";
}

TEST(UsbHotplug, WhereLibusbCannotHearOfItTransfersTellAndNothingIsTakenBack) {
  FakeUsb usb;
  usb.watch_status = LIBUSB_ERROR_NOT_SUPPORTED;
  with_link(usb, [](FakeUsb& calls, Link& link) -> asio::awaitable<void> {
    calls.answer({.bytes = {'a'}});
    EXPECT_EQ(co_await read_text(link), "a");
    calls.unplug();
    EXPECT_NE((co_await read_text(link)).find("unplugged"), std::string::npos);
  });
}

}  // namespace
}  // namespace steadycell::link
