#include "link/usb.h"

#include <chrono>
#include <filesystem>

#include "link/usb_bench.h"
#include "link/usb_events.h"

namespace steadycell::link {
namespace {

using namespace testing;
using namespace std::chrono_literals;

// ---- Which board ----

TEST(UsbBoard, TheOneThereIsIsFoundByNothingUuidOrPlace) {
  for (const char* which : {"", kSerial, kUuid, "1-2.3"}) {
    FakeUsb usb;
    usb.devices = {{.place = "1-1", .serial = kSerial, .vendor = 0x1234}, kBoard};
    asio::io_context context;
    run(context, [](FakeUsb& calls, std::string name) -> asio::awaitable<void> {
      const auto link = co_await open_usb(name, calls);
      EXPECT_TRUE(link) << name;
      if (link) {
        EXPECT_EQ((*link)->describe(), "usb:1-2.3");
      }
    }(usb, which));
  }
}

TEST(UsbBoard, NoneOrAnotherIsAnOpenFailureThatListsWhatThereIs) {
  FakeUsb usb;
  EXPECT_EQ(refused(usb, "").code(), ErrorCode::link_open_failed);
  usb.devices = {kBoard};
  const Error error = refused(usb, "1-9");
  EXPECT_EQ(error.code(), ErrorCode::link_open_failed);
  EXPECT_NE(error.what().find("usb:1-2.3"), std::string::npos) << error.text();
}

TEST(UsbBoard, R19SeveralAreListedAndNeverGuessedAlsoWithOneSerial) {
  FakeUsb usb;
  usb.devices = {kBoard, {.place = "2-1", .serial = kSerial}};
  for (const char* which : {"", kUuid}) {
    const Error error = refused(usb, which);
    EXPECT_EQ(error.code(), ErrorCode::board_ambiguous);
    EXPECT_NE(error.what().find("usb:2-1"), std::string::npos) << error.text();
  }
}

TEST(UsbBoard, R01PermissionIsAskedAgainForAWhileThenToldOnce) {
  FakeUsb usb;
  usb.devices = {kBoard};
  usb.devices[0].refusals = 2;
  with_link(usb, [](FakeUsb& calls, Link&) -> asio::awaitable<void> {
    EXPECT_EQ(calls.opens, 3);
    co_return;
  });
  usb.devices[0].open_status = LIBUSB_ERROR_ACCESS;
  const Error error = refused(usb, "", {.permission = 20ms, .first_retry = 5ms, .longest_retry = 5ms});
  EXPECT_EQ(error.code(), ErrorCode::usb_permission);
  EXPECT_EQ(error.exit_code(), 5);
  EXPECT_NE(error.next().find("udev"), std::string::npos);
}

TEST(UsbBoard, TakenByAnotherProgramIsBusy) {
  FakeUsb usb;
  usb.devices = {kBoard};
  usb.devices[0].claim_status = LIBUSB_ERROR_BUSY;
  EXPECT_EQ(refused(usb, "").code(), ErrorCode::board_busy);
}

TEST(UsbBoard, R21FullSpeedWorksAndIsSaid) {
  FakeUsb usb;
  usb.devices = {kBoard};
  usb.devices[0].speed = LIBUSB_SPEED_FULL;
  with_link(usb, [](FakeUsb&, Link& link) -> asio::awaitable<void> {
    EXPECT_NE(link.describe().find("full speed"), std::string::npos);
    co_return;
  });
  const auto listed = list_usb_boards(usb);
  ASSERT_TRUE(listed);
  EXPECT_TRUE(listed->at(0).full_speed);
}

TEST(UsbBoard, LibusbThatDoesNotStartIsSaid) {
  FakeUsb usb;
  usb.init_status = LIBUSB_ERROR_OTHER;
  EXPECT_EQ(refused(usb, "").code(), ErrorCode::link_open_failed);
}

// ---- Transfers ----

TEST(UsbTransfers, R22TheRingKeepsWithinTheKernelsBudget) {
  EXPECT_EQ(transfers_within(16) * kTransferBytes, 1u << 20);
  EXPECT_EQ(transfers_within(1), 5u);
  EXPECT_EQ(transfers_within(3), 6u);
  EXPECT_EQ(transfers_within(0), 8u);
  EXPECT_EQ(kTransferBytes % 1024, 0);
}

TEST(UsbTransfers, R22WithLittleMemoryLeftItGoesOnWithFewer) {
  FakeUsb usb;
  usb.most_in_flight = 3;
  with_link(usb, [](FakeUsb& calls, Link& link) -> asio::awaitable<void> {
    calls.answer({.bytes = {'a'}});
    EXPECT_EQ(co_await read_text(link), "a");
    EXPECT_EQ(calls.most_seen, 3);
  });
  usb.most_in_flight = 0;
  EXPECT_NE(refused(usb, "").what().find("16 MiB"), std::string::npos);
}

TEST(UsbTransfers, BytesComeInOrderInPiecesOfAnySizeAndEmptyOnesAreNothing) {
  FakeUsb usb;
  with_link(usb, [](FakeUsb& calls, Link& link) -> asio::awaitable<void> {
    calls.answer({.bytes = {'a', 'b', 'c', 'd', 'e'}});
    calls.answer({});
    calls.answer({.bytes = {'f'}});
    EXPECT_EQ(co_await read_text(link, 3), "abc");
    EXPECT_EQ(co_await read_text(link, 3), "de");
    EXPECT_EQ(co_await read_text(link, 3), "f");
  });
}

TEST(UsbTransfers, R23PartOfATransferThatRanOutOfTimeCounts) {
  FakeUsb usb;
  with_link(usb, [](FakeUsb& calls, Link& link) -> asio::awaitable<void> {
    calls.answer({.status = LIBUSB_TRANSFER_TIMED_OUT, .bytes = {'x'}});
    calls.answer({.status = LIBUSB_TRANSFER_ERROR, .bytes = {'y'}});
    EXPECT_EQ(co_await read_text(link), "x");
    EXPECT_EQ(co_await read_text(link), "y");
    calls.take({.status = LIBUSB_TRANSFER_TIMED_OUT, .took = 2});
    const Bytes out{1, 2, 3, 4, 5};
    EXPECT_TRUE(co_await link.write(out));
    EXPECT_EQ(calls.written(), out);
  });
}

TEST(UsbTransfers, R20BytesOfAnOverflowAreNeverUsed) {
  FakeUsb usb;
  with_link(usb, [](FakeUsb& calls, Link& link) -> asio::awaitable<void> {
    calls.answer({.status = LIBUSB_TRANSFER_OVERFLOW, .bytes = {'b', 'a', 'd'}});
    calls.answer({.bytes = {'g'}});
    EXPECT_EQ(co_await read_text(link), "g");
  });
}

TEST(UsbTransfers, ABoardThatTakesNothingEndsTheWrite) {
  FakeUsb usb;
  for (int i = 0; i < 4 * 6; ++i) usb.take({.status = LIBUSB_TRANSFER_TIMED_OUT, .took = 0});
  with_link(usb, [](FakeUsb&, Link& link) -> asio::awaitable<void> {
    const Bytes one(1);
    const auto written = co_await link.write(one);
    EXPECT_FALSE(written);
  });
}

TEST(UsbTransfers, R15UnpluggedIsToldToReaderAndWriter) {
  FakeUsb usb;
  with_link(usb, [](FakeUsb& calls, Link& link) -> asio::awaitable<void> {
    calls.unplug();
    EXPECT_NE((co_await read_text(link)).find("unplugged"), std::string::npos);
    const Bytes one(1);
    const auto written = co_await link.write(one);
    EXPECT_FALSE(written);
  });
}


TEST(UsbTransfers, AViewIsWhatATransferBroughtAndWhatReadSomeLeftOfIt) {
  FakeUsb usb;
  with_link(usb, [](FakeUsb& calls, Link& link) -> asio::awaitable<void> {
    calls.answer({.bytes = {'a', 'b', 'c'}});
    EXPECT_EQ(co_await read_text(link, 1), "a");
    auto view = co_await link.read_view({});
    EXPECT_TRUE(view && as_text(*view) == "bc");
    EXPECT_EQ(calls.in_flight(), kMostTransfers - 1) << "the kernel must not write where the view is";
    // Also through a recovery.
    EXPECT_TRUE(link.recover(Rung::clear_halts, "no answer"));
    asio::steady_timer pause(co_await asio::this_coro::executor);
    while (link.recovering()) {
      pause.expires_after(1ms);
      co_await pause.async_wait(asio::use_awaitable);
    }
    EXPECT_EQ(calls.in_flight(), kMostTransfers - 1);
    calls.answer({.bytes = {'d'}});
    EXPECT_TRUE(view && as_text(*view) == "bc");
    view = co_await link.read_view({});
    EXPECT_TRUE(view && as_text(*view) == "d");
  });
}

TEST(UsbTransfers, F18_AHubWithoutPowerTakesEveryBoardAndEachIsToldAndGivenBack) {
  FakeUsb usb;
  usb.devices = {{.place = "1-2.1", .serial = "a"}, {.place = "1-2.2", .serial = "b"}, {.place = "1-2.3", .serial = "c"}};
  asio::io_context context;
  run(context, [](FakeUsb& calls) -> asio::awaitable<void> {
    std::vector<std::unique_ptr<Link>> links;
    for (const auto& device : calls.devices) {
      auto opened = co_await open_usb(device.place, calls);
      EXPECT_TRUE(opened) << opened.error().text();
      if (opened) links.push_back(std::move(*opened));
    }
    EXPECT_EQ(links.size(), 3u);
    if (links.size() != 3) co_return;
    EXPECT_TRUE(links[1]->recover(Rung::clear_halts, "no answer")) << "one is in the middle of a recovery";
    calls.unplug();
    for (const auto& link : links) {
      const std::string end = co_await read_text(*link, 300);
      EXPECT_NE(end.find(link->describe()), std::string::npos) << end;
      EXPECT_NE(end.find("unplugged"), std::string::npos) << end;
    }
  }(usb));
  EXPECT_EQ(usb.in_flight(), 0u);
  EXPECT_EQ(usb.handles, 0);
  EXPECT_EQ(usb.contexts, 0);
}

TEST(UsbTransfers, R13CloseEndsAReadThatWaits) {
  FakeUsb usb;
  usb.devices = {kBoard};
  asio::io_context context;
  std::unique_ptr<Link> link;
  std::string told;
  run(context, [](FakeUsb& calls, std::unique_ptr<Link>& into) -> asio::awaitable<void> {
    auto opened = co_await open_usb("", calls);
    if (opened) into = std::move(*opened);
  }(usb, link));
  ASSERT_TRUE(link);
  context.restart();
  asio::co_spawn(context, [](Link& waiting, std::string& out) -> asio::awaitable<void> { out = co_await read_text(waiting); }(*link, told),
                 [](const std::exception_ptr&) {});
  run(context, [](Link& closing) -> asio::awaitable<void> {
    closing.close();
    closing.close();
    co_return;
  }(*link));
  EXPECT_NE(told.find("closed"), std::string::npos);
  link.reset();
  EXPECT_EQ(usb.in_flight(), 0u);
  EXPECT_EQ(usb.handles, 0);
}

TEST(UsbHalves, TheLinkFindsItsHidHalfAndLosingThatEndsNoRead) {
  FakeUsb usb;
  usb.devices = {kBoard};
  FakeHid hid;
  hid.set_uuid(*parse_hex(kSerial));
  hid.set_nodes({{"/dev/hidraw0", kSerial, "9-9"}, {"/dev/hidraw3", kSerial, kBoard.place}});
  asio::io_context context;
  run(context, [](FakeUsb& calls, FakeHid& fake) -> asio::awaitable<void> {
    const auto opened = co_await open_usb("", calls, {}, fake);
    EXPECT_TRUE(opened);
    if (!opened) co_return;
    Link& link = **opened;
    std::vector<LinkNews::Kind> told;
    link.on_news([&](const LinkNews& news) {
      if (news.kind != LinkNews::Kind::meter) told.push_back(news.kind);
    });
    EXPECT_EQ(link.cut_rails_beside(), 0u) << "not asked for yet";
    link.open_side(kUuid);
    asio::steady_timer pause(co_await asio::this_coro::executor);
    for (int i = 0; i < 1000 && told.size() < 2; ++i) {
      if (told.size() == 1) fake.present = false;
      pause.expires_after(5ms);
      co_await pause.async_wait(asio::use_awaitable);
    }
    EXPECT_EQ(told, (std::vector{LinkNews::Kind::side_found, LinkNews::Kind::side_lost}));
    EXPECT_EQ(fake.paths(), std::vector<std::string>{"/dev/hidraw3"});
    calls.answer({.bytes = {'a'}});
    EXPECT_EQ(co_await read_text(link), "a");
  }(usb, hid));
  EXPECT_EQ(hid.open_now, 0);
}

// ---- The event thread ----

std::size_t count_in(const char* folder) {
  return static_cast<std::size_t>(std::distance(std::filesystem::directory_iterator(folder), std::filesystem::directory_iterator()));
}

TEST(UsbEventThread, R17StartsAndStopsThreeThousandTimesAndNothingGrows) {
  FakeUsb usb;
  usb.devices = {kBoard};
  const std::size_t files = count_in("/proc/self/fd"), threads = count_in("/proc/self/task");
  for (int i = 0; i < 3000; ++i) {
    // On their way while the link closes; where the kernel cannot tell of plugging, only the first.
    usb.watch_status = i % 7 == 0 ? LIBUSB_ERROR_NOT_SUPPORTED : 0;
    if (i % 3 == 0) usb.answer({.bytes = {'z'}});
    if (i % 2 == 0) usb.plug_event(usb.devices[0]);
    with_link(usb, [](FakeUsb& calls, Link&) -> asio::awaitable<void> {
      calls.plug_event(calls.devices[0]);
      co_return;
    });
  }
  EXPECT_GT(usb.plug_events_told, 0);
  EXPECT_EQ(count_in("/proc/self/fd"), files);
  EXPECT_EQ(count_in("/proc/self/task"), threads);
}

TEST(UsbEventThread, IsOneForAllLinksOfAProcess) {
  FakeUsb usb;
  const auto first = UsbEvents::get(usb), second = UsbEvents::get(usb);
  ASSERT_TRUE(first && second);
  EXPECT_EQ(*first, *second);
  EXPECT_EQ(usb.contexts, 1);
}

}  // namespace
}  // namespace steadycell::link
