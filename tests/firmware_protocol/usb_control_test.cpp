// Endpoint 0 and the HID reports of the device core, against USB 2.0 chapter 9 (sections named at the tests), HID 1.11 section 7.2
// and the numbers of the kernel's headers.
#include "device/usb_control.h"

#include <gtest/gtest.h>
#include <linux/hid.h>
#include <linux/usb/ch9.h>

#include <array>
#include <map>
#include <set>
#include <string>

#include "firmware_protocol/bench.h"
#include "firmware_protocol/vectors.h"

namespace {

using frames::Bytes;

constexpr unsigned kHidIn = USB_DIR_IN | USB_TYPE_CLASS | USB_RECIP_INTERFACE;
constexpr unsigned kHidOut = USB_DIR_OUT | USB_TYPE_CLASS | USB_RECIP_INTERFACE;

struct Reply {
  bool stalled = false;
  Bytes bytes;
  friend bool operator==(const Reply&, const Reply&) = default;
};
const Reply kStall{true, {}}, kDone{false, {}};

// A device core with the USB side on top.
class UsbBench : public Bench {
 public:
  UsbBench() {
    usb.core = core.get();
    usb.self = this;
    usb.endpoint_reset = [](void* self, std::uint8_t address) { ++static_cast<UsbBench*>(self)->resets[address]; };
    sc_usb_bus_reset(&usb, SCU_HIGH_SPEED);
    resets.clear();
  }
  Reply ask(unsigned type, unsigned code, unsigned value = 0, unsigned index = 0, unsigned length = 0, const Bytes& data = {}) {
    const Bytes setup = frames::Writer().u8(type).u8(code).u16(value).u16(index).u16(length).bytes;
    Bytes in(SCU_LONGEST_DESCRIPTOR, 0xEE), out = data;
    out.resize(std::max<std::size_t>(length, 1), 0xEE);
    const int n = sc_usb_control(&usb, setup.data(), out.data(), in.data());
    if (n < 0) return kStall;
    EXPECT_LE(n, static_cast<int>(length)) << "more than wLength";
    in.resize(static_cast<std::size_t>(std::max(n, 0)));
    return {false, in};
  }
  Reply configure(unsigned value = 1) { return ask(0x00, USB_REQ_SET_CONFIGURATION, value); }
  using Bench::ask;

  sc_usb usb{};
  std::map<unsigned, int> resets;
};

Reply bytes(Bytes b) {
  return {false, std::move(b)};
}

}  // namespace

TEST(UsbControl, DescriptorsAreCutToWhatTheHostAsksFor) {
  UsbBench b;
  const Bytes device = frames::load_vector("usb/device");
  EXPECT_EQ(b.ask(0x80, USB_REQ_GET_DESCRIPTOR, USB_DT_DEVICE << 8, 0, 64), bytes(device));
  EXPECT_EQ(b.ask(0x80, USB_REQ_GET_DESCRIPTOR, USB_DT_DEVICE << 8, 0, 8), bytes({device.begin(), device.begin() + 8}));
  EXPECT_EQ(b.ask(0x80, USB_REQ_GET_DESCRIPTOR, USB_DT_DEVICE << 8, 0, 0), kDone);
  EXPECT_EQ(b.ask(0x80, USB_REQ_GET_DESCRIPTOR, USB_DT_CONFIG << 8, 0, 255), bytes(frames::load_vector("usb/configuration_high")));
  EXPECT_EQ(b.ask(0x80, USB_REQ_GET_DESCRIPTOR, USB_DT_STRING << 8 | 9, 0x409, 255), kStall);
  EXPECT_EQ(b.ask(0x81, USB_REQ_GET_DESCRIPTOR, HID_DT_REPORT << 8, 1, 255), bytes(frames::load_vector("usb/hid_report")));
  EXPECT_EQ(b.ask(0x81, USB_REQ_GET_DESCRIPTOR, HID_DT_REPORT << 8, 0, 255), kStall) << "interface 0 is no HID";
  EXPECT_EQ(b.ask(0x80, USB_REQ_GET_DESCRIPTOR, HID_DT_REPORT << 8, 0, 255), kStall) << "the interface's, not the device's";
  EXPECT_EQ(b.ask(0xC0, 0x20, 0, 7, 4096), bytes(frames::load_vector("usb/ms_os_20_set")));
  EXPECT_EQ(b.ask(0xC0, 0x20, 0, 8, 4096), kStall);
  sc_usb_bus_reset(&b.usb, SCU_FULL_SPEED);
  EXPECT_EQ(b.ask(0x80, USB_REQ_GET_DESCRIPTOR, USB_DT_CONFIG << 8, 0, 255), bytes(frames::load_vector("usb/configuration_full")));
}

// Section 9.1.1: default, address and configured states; 9.4 says for each request what it does in each.
TEST(UsbControl, EndpointsAndInterfacesExistWhenConfigured) {
  UsbBench b;
  EXPECT_EQ(b.ask(0x80, USB_REQ_GET_CONFIGURATION, 0, 0, 1), bytes({0}));
  EXPECT_EQ(b.ask(0x00, USB_REQ_SET_ADDRESS, 5), kDone);
  EXPECT_EQ(b.usb.address, 5);
  EXPECT_EQ(b.ask(0x00, USB_REQ_SET_ADDRESS, 128), kStall);
  EXPECT_EQ(b.ask(0x80, USB_REQ_GET_STATUS, 0, 0, 2), bytes({1, 0})) << "self-powered, no remote wake-up";
  EXPECT_EQ(b.ask(0x82, USB_REQ_GET_STATUS, 0, 0, 2), bytes({0, 0})) << "endpoint 0 is always there";
  EXPECT_EQ(b.ask(0x82, USB_REQ_GET_STATUS, 0, 0x81, 2), kStall);
  EXPECT_EQ(b.ask(0x81, USB_REQ_GET_STATUS, 0, 0, 2), kStall);
  EXPECT_EQ(b.ask(0x81, USB_REQ_GET_INTERFACE, 0, 1, 1), kStall);
  EXPECT_EQ(b.ask(kHidIn, HID_REQ_GET_REPORT, 0x0103, 1, 64), kStall);
  EXPECT_FALSE(sc_usb_has(&b.usb, SCU_BULK_IN));
  EXPECT_FALSE(sc_usb_halt(&b.usb, SCU_BULK_IN));
  EXPECT_EQ(b.configure(2), kStall);
  EXPECT_EQ(b.configure(1), kDone);
  EXPECT_EQ(b.ask(0x80, USB_REQ_GET_CONFIGURATION, 0, 0, 1), bytes({1}));
  EXPECT_EQ(b.ask(0x82, USB_REQ_GET_STATUS, 0, 0x81, 2), bytes({0, 0}));
  EXPECT_EQ(b.ask(0x82, USB_REQ_GET_STATUS, 0, 0x83, 2), kStall) << "no such endpoint";
  EXPECT_EQ(b.ask(0x82, USB_REQ_GET_STATUS, 0, 0x0181, 2), kStall);
  for (const unsigned i : {0u, 1u}) {
    EXPECT_EQ(b.ask(0x81, USB_REQ_GET_STATUS, 0, i, 2), bytes({0, 0}));
    EXPECT_EQ(b.ask(0x81, USB_REQ_GET_INTERFACE, 0, i, 1), bytes({0}));
    EXPECT_EQ(b.ask(0x01, USB_REQ_SET_INTERFACE, 0, i), kDone);
    EXPECT_EQ(b.ask(0x01, USB_REQ_SET_INTERFACE, 1, i), kStall) << "no other setting";
  }
  EXPECT_EQ(b.ask(0x81, USB_REQ_GET_STATUS, 0, 2, 2), kStall) << "no such interface";
  EXPECT_TRUE(sc_usb_has(&b.usb, SCU_BULK_IN));
  EXPECT_EQ(b.configure(0), kDone);
  EXPECT_FALSE(sc_usb_has(&b.usb, SCU_BULK_IN));
}

// Section 9.4.5: clearing the halt gives DATA0 whether the endpoint was halted or not; firmware that does not loses data silently.
TEST(UsbControl, ClearingAHaltResetsTheToggleAlways) {
  UsbBench b;
  b.configure();
  b.resets.clear();
  for (const unsigned e : {0x01u, 0x81u, 0x02u, 0x82u}) {
    EXPECT_EQ(b.ask(0x02, USB_REQ_SET_FEATURE, USB_ENDPOINT_HALT, e), kDone);
    EXPECT_TRUE(sc_usb_is_halted(&b.usb, static_cast<std::uint8_t>(e)));
    EXPECT_EQ(b.ask(0x82, USB_REQ_GET_STATUS, 0, e, 2), bytes({1, 0}));
    EXPECT_EQ(b.resets[e], 0) << "a halt alone leaves the toggle";
    EXPECT_EQ(b.ask(0x02, USB_REQ_CLEAR_FEATURE, USB_ENDPOINT_HALT, e), kDone);
    EXPECT_FALSE(sc_usb_is_halted(&b.usb, static_cast<std::uint8_t>(e)));
    EXPECT_EQ(b.ask(0x82, USB_REQ_GET_STATUS, 0, e, 2), bytes({0, 0}));
    EXPECT_EQ(b.resets[e], 1);
    EXPECT_EQ(b.ask(0x02, USB_REQ_CLEAR_FEATURE, USB_ENDPOINT_HALT, e), kDone);
    EXPECT_EQ(b.resets[e], 2) << "not halted, and the toggle starts anew all the same";
    EXPECT_EQ(b.ask(0x02, USB_REQ_CLEAR_FEATURE, 1, e), kStall) << "no such feature of an endpoint";
  }
  EXPECT_EQ(b.ask(0x02, USB_REQ_CLEAR_FEATURE, USB_ENDPOINT_HALT, 0x83), kStall);
}

// Section 9.1.1.5: configuring, and selecting a setting, resets toggles and halts of the endpoints concerned, of no other.
TEST(UsbControl, ConfiguringAndSettingsStartEndpointsAnew) {
  UsbBench b;
  EXPECT_EQ(b.configure(), kDone);
  EXPECT_EQ(b.resets, (std::map<unsigned, int>{{0x01, 1}, {0x81, 1}, {0x02, 1}, {0x82, 1}}));
  b.resets.clear();
  sc_usb_halt(&b.usb, SCU_BULK_IN);
  sc_usb_halt(&b.usb, SCU_HID_IN);
  EXPECT_EQ(b.ask(0x01, USB_REQ_SET_INTERFACE, 0, 0), kDone);
  EXPECT_EQ(b.resets, (std::map<unsigned, int>{{0x01, 1}, {0x81, 1}}));
  EXPECT_FALSE(sc_usb_is_halted(&b.usb, SCU_BULK_IN));
  EXPECT_TRUE(sc_usb_is_halted(&b.usb, SCU_HID_IN));
  EXPECT_EQ(b.configure(), kDone);
  EXPECT_FALSE(sc_usb_is_halted(&b.usb, SCU_HID_IN));
}

TEST(UsbControl, NothingIsAnsweredButWhatTheStandardsName) {
  // (bmRequestType, bRequest) that may be answered; every other pair must stall, whatever its fields.
  const std::set<std::pair<unsigned, unsigned>> known{{0x80, 0},   {0x80, 6}, {0x80, 8},  {0x00, 5},  {0x00, 9},  // device
                                                      {0x81, 0},   {0x81, 6}, {0x81, 10}, {0x01, 11},             // interface
                                                      {0x82, 0},   {0x02, 1}, {0x02, 3},                          // endpoint
                                                      {0xA1, 1},   {0xA1, 2}, {0x21, 9},  {0x21, 10},             // HID
                                                      {0xC0, 0x20}};                                              // Microsoft OS 2.0
  UsbBench b;
  std::set<std::pair<unsigned, unsigned>> answered;
  std::array<std::uint8_t, 64> data{1};
  std::array<std::uint8_t, SCU_LONGEST_DESCRIPTOR> in{};
  for (unsigned type = 0; type < 256; ++type)
    for (unsigned code = 0; code < 256; code += code < 0x24 ? 1 : 11)
      for (const unsigned value : {0u, 1u, 0x0100u, 0x0103u, 0x0201u, 0x0F00u, 0x2200u})
        for (const unsigned index : {0u, 1u, 7u, 0x81u})
          for (const std::uint8_t length : {std::uint8_t{2}, std::uint8_t{64}}) {
            b.usb.configuration = 1;
            const std::array<std::uint8_t, 8> setup{static_cast<std::uint8_t>(type),
                                                    static_cast<std::uint8_t>(code),
                                                    static_cast<std::uint8_t>(value),
                                                    static_cast<std::uint8_t>(value >> 8),
                                                    static_cast<std::uint8_t>(index),
                                                    0,
                                                    length,
                                                    0};
            const int n = sc_usb_control(&b.usb, setup.data(), data.data(), in.data());
            if (n >= 0) answered.insert({type, code});
            ASSERT_LE(n, length);
          }
  for (const auto& [type, code] : answered) EXPECT_TRUE(known.contains({type, code})) << std::hex << type << ' ' << code;
  EXPECT_EQ(answered.size(), known.size());
}

TEST(UsbControl, ReportsGoOverEndpoint0Too) {
  UsbBench b;
  b.configure();
  const Bytes beat = frames::load_vector("usb/report_heartbeat");
  EXPECT_EQ(b.ask(kHidOut, HID_REQ_SET_REPORT, 0x0201, 1, 64, beat), kDone);
  const Reply meter = b.ask(kHidIn, HID_REQ_GET_REPORT, 0x0103, 1, 64);
  scu_meter m{};
  ASSERT_TRUE(scu_get_meter(meter.bytes.data(), meter.bytes.size(), &m));
  EXPECT_EQ(m.heartbeat_token, 0xa1b2c3d4u);
  EXPECT_EQ(b.ask(kHidIn, HID_REQ_GET_REPORT, 0x0103, 1, 5).bytes.size(), 5u);
  EXPECT_EQ(b.ask(kHidIn, HID_REQ_GET_REPORT, 0x0101, 1, 64), kStall) << "an output";
  EXPECT_EQ(b.ask(kHidIn, HID_REQ_GET_REPORT, 0x0303, 1, 64), kStall) << "no features";
  EXPECT_EQ(b.ask(kHidIn, HID_REQ_GET_REPORT, 0x0103, 0, 64), kStall);
  EXPECT_EQ(b.ask(kHidOut, HID_REQ_SET_REPORT, 0x0202, 1, 64, beat), kStall) << "ID in the request and in the report differ";
  EXPECT_EQ(b.ask(kHidOut, HID_REQ_SET_REPORT, 0x0203, 1, 64, frames::load_vector("usb/report_meter")), kStall) << "an input";
  EXPECT_EQ(b.ask(kHidOut, HID_REQ_SET_REPORT, 0x0201, 1, 0), kStall);
  EXPECT_EQ(b.ask(kHidIn, HID_REQ_GET_IDLE, 0, 1, 1), bytes({0}));
  EXPECT_EQ(b.ask(kHidOut, HID_REQ_SET_IDLE, 0x7D00, 1), kDone);
  EXPECT_EQ(b.ask(kHidIn, HID_REQ_GET_IDLE, 0, 1, 1), bytes({0x7D}));
  EXPECT_EQ(b.ask(kHidOut, HID_REQ_SET_PROTOCOL, 0, 1), kStall) << "no boot interface";
}

TEST(UsbHid, MeterComesEvery100MsAndSkipsWhatWasNotFetched) {
  UsbBench b;
  Bytes report(SCU_REPORT_BYTES);
  scu_meter m{};
  b.run_for(0);
  ASSERT_TRUE(sc_core_hid_take(b.core.get(), report.data()));
  EXPECT_FALSE(sc_core_hid_take(b.core.get(), report.data())) << "once each";
  ASSERT_TRUE(scu_get_meter(report.data(), report.size(), &m));
  const std::uint32_t first = m.sequence;
  const std::uint64_t at = m.ns;
  b.run_for(99'000'000);
  EXPECT_FALSE(sc_core_hid_take(b.core.get(), report.data()));
  b.run_for(2'000'000);
  ASSERT_TRUE(sc_core_hid_take(b.core.get(), report.data()));
  ASSERT_TRUE(scu_get_meter(report.data(), report.size(), &m));
  EXPECT_EQ(m.sequence, first + 1);
  EXPECT_GE(m.ns - at, 100'000'000u);
  b.run_for(310'000'000);
  ASSERT_TRUE(sc_core_hid_take(b.core.get(), report.data()));
  ASSERT_TRUE(scu_get_meter(report.data(), report.size(), &m));
  EXPECT_EQ(m.sequence, first + 4) << "the newest; two were not fetched";
}

TEST(UsbHid, MeterSaysWhatTheMetersSay) {
  UsbBench b;
  b.hello();
  b.power_3v3();
  b.hal.socket_ma = 12;
  b.hal.port_ua = -250;
  b.hal.wp_high = true;
  Bytes report(SCU_REPORT_BYTES);
  sc_core_hid_now(b.core.get(), report.data());
  scu_meter m{};
  ASSERT_TRUE(scu_get_meter(report.data(), report.size(), &m));
  EXPECT_EQ(m.flags, SCU_SOCKET_ON | SCU_WP_HIGH | SCU_TRUSTED);
  EXPECT_EQ(m.socket_mv, 3300);
  EXPECT_EQ(m.socket_ma, 12);
  EXPECT_EQ(m.port_ua, -250);
  EXPECT_EQ(m.ns, b.hal.now);
}

TEST(UsbHid, HeartbeatReportKeepsTheRails) {
  UsbBench b;
  b.hello();
  b.power_3v3();
  const Bytes beat = frames::load_vector("usb/report_heartbeat");
  for (int i = 0; i < 10; ++i) {
    b.run_for(400'000'000);
    ASSERT_TRUE(sc_core_hid_report(b.core.get(), beat.data(), beat.size()));
  }
  EXPECT_EQ(b.hal.socket_set, 3300);
  b.run_for(501'000'000);
  EXPECT_EQ(b.hal.socket_set, 0) << "silence cuts";
  EXPECT_TRUE(b.event(SCP_EVENT_HEARTBEAT_CUT));
}

TEST(UsbHid, RailsOffCutsBothAtOnceAlsoWhatIsKept) {
  UsbBench b;
  b.hello();
  b.power_3v3();
  const auto port = b.ask(SCP_PORT_ON, frames::Writer().u16(5000).u16(100).u16(0).u8(2).u8(0).bytes);
  ASSERT_EQ(port.status, SCP_OK);
  b.hal.pipe_room = 0;  // the pipe is stuck
  Bytes report(SCU_REPORT_BYTES);
  while (sc_core_hid_take(b.core.get(), report.data())) {
  }
  const Bytes off = frames::load_vector("usb/report_rails_off");
  ASSERT_TRUE(sc_core_hid_report(b.core.get(), off.data(), off.size()));
  EXPECT_EQ(b.hal.socket_set, 0);
  EXPECT_EQ(b.hal.port_set, 0);
  ASSERT_TRUE(sc_core_hid_take(b.core.get(), report.data())) << "it is told at once";
  scu_meter m{};
  ASSERT_TRUE(scu_get_meter(report.data(), report.size(), &m));
  EXPECT_EQ(m.rails_off_token, 5u);
  EXPECT_EQ(m.flags & (SCU_SOCKET_ON | SCU_PORT_ON), 0);
}

TEST(UsbHid, RailsOffEndsASwitchOnThatIsThenAnsweredAborted) {
  UsbBench b;
  b.hello();
  const std::uint32_t id = b.send(SCP_SOCKET_ON, Bench::socket_on(3300, SCP_GROUND_USER_WORD));
  b.hal.socket_mv_override = 500;  // on its way
  b.run_for(1'000'000);
  const Bytes off = frames::load_vector("usb/report_rails_off");
  ASSERT_TRUE(sc_core_hid_report(b.core.get(), off.data(), off.size()));
  b.hal.socket_mv_override = -1;
  b.run_for(5'000'000);
  EXPECT_EQ(b.read(id).status, SCP_ABORTED);
  EXPECT_EQ(b.hal.socket_set, 0);
}

// A cut frame in either direction must not swallow the first one behind it.
TEST(UsbControl, ABusResetForgetsWhatThePipeHeld) {
  UsbBench b;
  b.configure();
  b.hello();
  b.host.found.clear();
  b.hal.pipe_room = 10;
  b.send(SCP_BOARD_STATE);
  for (int i = 0; i < 10; ++i) sc_core_step(b.core.get());
  ASSERT_EQ(b.hal.sent.size(), 10u) << "half an answer went out";
  b.hal.sent.clear();
  const Bytes half = frames::encode(SCP_CHANNEL_COMMAND, SCP_HEARTBEAT, 9, 9, {});
  b.receive({half.begin(), half.begin() + 13});
  sc_usb_bus_reset(&b.usb, SCU_HIGH_SPEED);
  EXPECT_EQ(b.usb.configuration, 0);
  b.hal.pipe_room = SIZE_MAX;
  b.configure();
  b.hello();
  EXPECT_EQ(b.host.parser.bad_frames, 0u);
  EXPECT_EQ(b.host.parser.skipped_bytes, 0u);
  EXPECT_EQ(b.host.found.size(), 1u) << "only the answer to HELLO";
}
