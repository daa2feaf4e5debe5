// The USB descriptors and HID reports: against frozen bytes that make_usb_vectors.py encoded from the standards, and read with the
// structures of the Linux kernel's own header (linux/usb/ch9.h; packed, so members are read by value) and the rules of the standards
// named at each test.
#include "steadycell/usb.h"

#include <gtest/gtest.h>
#include <linux/usb/ch9.h>

#include <array>
#include <cstring>
#include <map>
#include <set>
#include <string>

#include "firmware_protocol/vectors.h"

using frames::Bytes;
using frames::load_vector;

namespace {

constexpr std::array<std::uint8_t, 16> kUuid{0x01, 0x23, 0x45, 0x67, 0x89, 0xab, 0x4d, 0xef,
                                             0x81, 0x23, 0x45, 0x67, 0x89, 0xab, 0xcd, 0xef};

Bytes descriptor(unsigned type, unsigned index = 0, scu_speed speed = SCU_HIGH_SPEED) {
  Bytes out(SCU_LONGEST_DESCRIPTOR);
  out.resize(scu_descriptor(out.data(), static_cast<std::uint16_t>(type << 8 | index), speed, kUuid.data()));
  return out;
}

Bytes ms_set() {
  Bytes out(SCU_LONGEST_DESCRIPTOR);
  out.resize(scu_ms_os_20_set(out.data()));
  return out;
}

unsigned u16(const Bytes& b, std::size_t at) {
  return b[at] | static_cast<unsigned>(b[at + 1]) << 8;
}

// The pieces of a descriptor that is made of others: bLength, bDescriptorType, body.
std::vector<Bytes> pieces(const Bytes& all) {
  std::vector<Bytes> out;
  for (std::size_t at = 0; at < all.size(); at += all[at]) {
    if (all[at] < 2 || at + all[at] > all.size()) {
      ADD_FAILURE() << "bLength " << int{all[at]} << " at " << at;
      break;
    }
    out.emplace_back(all.begin() + static_cast<std::ptrdiff_t>(at), all.begin() + static_cast<std::ptrdiff_t>(at + all[at]));
  }
  return out;
}

template <typename T>
T as(const Bytes& bytes) {
  T out;
  EXPECT_GE(bytes.size(), sizeof out);
  std::memcpy(&out, bytes.data(), std::min(bytes.size(), sizeof out));
  return out;
}

}  // namespace

TEST(Usb, EveryDescriptorIsTheFrozenOne) {
  EXPECT_EQ(descriptor(SCU_DEVICE), load_vector("usb/device"));
  EXPECT_EQ(descriptor(SCU_DEVICE_QUALIFIER), load_vector("usb/device_qualifier"));
  EXPECT_EQ(descriptor(SCU_CONFIGURATION_DESCRIPTOR), load_vector("usb/configuration_high"));
  EXPECT_EQ(descriptor(SCU_CONFIGURATION_DESCRIPTOR, 0, SCU_FULL_SPEED), load_vector("usb/configuration_full"));
  EXPECT_EQ(descriptor(SCU_OTHER_SPEED), load_vector("usb/other_speed_of_high"));
  EXPECT_EQ(descriptor(SCU_OTHER_SPEED, 0, SCU_FULL_SPEED), load_vector("usb/other_speed_of_full"));
  EXPECT_EQ(descriptor(SCU_BOS), load_vector("usb/bos"));
  EXPECT_EQ(descriptor(SCU_HID_REPORT), load_vector("usb/hid_report"));
  EXPECT_EQ(ms_set(), load_vector("usb/ms_os_20_set"));
  for (unsigned i = SCU_STRING_LANGUAGES; i <= SCU_STRING_HID; ++i)
    EXPECT_EQ(descriptor(SCU_STRING, i), load_vector("usb/string_" + std::to_string(i)));
}

TEST(Usb, WhatDoesNotExistIsNothing) {
  EXPECT_TRUE(descriptor(SCU_STRING, SCU_STRING_HID + 1).empty());
  EXPECT_TRUE(descriptor(SCU_DEVICE, 1).empty());
  EXPECT_TRUE(descriptor(SCU_CONFIGURATION_DESCRIPTOR, 1).empty());
  for (const unsigned type : {0u, 4u, 5u, 8u, 9u, 10u, 11u, 16u, 0x23u, 0x29u, 0xFFu}) EXPECT_TRUE(descriptor(type).empty()) << type;
}

// USB 2.0 tables 9-8, 9-9: sizes and fields as the kernel declares them. 1209:0001 is the test identity of pid.codes.
TEST(Usb, DeviceReadsAsTheKernelDeclaresIt) {
  ASSERT_EQ(descriptor(SCU_DEVICE).size(), std::size_t{USB_DT_DEVICE_SIZE});
  const auto d = as<usb_device_descriptor>(descriptor(SCU_DEVICE));
  EXPECT_EQ(d.bLength, USB_DT_DEVICE_SIZE);
  EXPECT_EQ(d.bDescriptorType, USB_DT_DEVICE);
  EXPECT_EQ(+d.bcdUSB, 0x0201) << "a BOS needs 2.01";
  EXPECT_EQ(d.bDeviceClass, USB_CLASS_PER_INTERFACE);
  EXPECT_EQ(d.bDeviceSubClass, 0) << "reset when the class is";
  EXPECT_EQ(d.bDeviceProtocol, 0);
  EXPECT_EQ(d.bMaxPacketSize0, 64) << "the only one at high speed (section 5.5.3)";
  EXPECT_EQ(+d.idVendor, 0x1209);
  EXPECT_EQ(+d.idProduct, 0x0001);
  EXPECT_EQ(d.bNumConfigurations, 1);
  const auto q = as<usb_qualifier_descriptor>(descriptor(SCU_DEVICE_QUALIFIER));
  EXPECT_EQ(q.bLength, sizeof q);
  EXPECT_EQ(q.bDescriptorType, USB_DT_DEVICE_QUALIFIER);
  EXPECT_EQ(+q.bcdUSB, +d.bcdUSB);
  EXPECT_EQ(q.bMaxPacketSize0, 64);
  EXPECT_EQ(q.bNumConfigurations, 1);
  EXPECT_EQ(q.bRESERVED, 0);
}

TEST(Usb, EachSpeedHasItsPacketsAndIntervals) {
  for (const scu_speed speed : {SCU_FULL_SPEED, SCU_HIGH_SPEED}) {
    const Bytes all = descriptor(SCU_CONFIGURATION_DESCRIPTOR, 0, speed);
    const auto head = as<usb_config_descriptor>(all);
    EXPECT_EQ(head.bLength, USB_DT_CONFIG_SIZE);
    EXPECT_EQ(+head.wTotalLength, all.size());
    EXPECT_EQ(head.bNumInterfaces, 2);
    EXPECT_EQ(head.bConfigurationValue, 1);
    EXPECT_EQ(head.bmAttributes, USB_CONFIG_ATT_ONE | USB_CONFIG_ATT_SELFPOWER);
    EXPECT_LE(head.bMaxPower * 2, 500);
    std::map<unsigned, usb_endpoint_descriptor> endpoints;
    std::vector<usb_interface_descriptor> interfaces;
    for (const Bytes& piece : pieces(all)) {
      if (piece[1] == USB_DT_INTERFACE) interfaces.push_back(as<usb_interface_descriptor>(piece));
      if (piece[1] == USB_DT_ENDPOINT) {
        ASSERT_EQ(piece.size(), std::size_t{USB_DT_ENDPOINT_SIZE});
        usb_endpoint_descriptor e{};
        std::memcpy(&e, piece.data(), piece.size());
        EXPECT_TRUE(endpoints.emplace(e.bEndpointAddress, e).second) << "an address used twice";
      }
    }
    ASSERT_EQ(interfaces.size(), 2u);
    EXPECT_EQ(interfaces[0].bInterfaceNumber, 0);
    EXPECT_EQ(interfaces[0].bInterfaceClass, USB_CLASS_VENDOR_SPEC);
    EXPECT_EQ(interfaces[0].bNumEndpoints, 2);
    EXPECT_EQ(interfaces[1].bInterfaceNumber, 1);
    EXPECT_EQ(interfaces[1].bInterfaceClass, USB_CLASS_HID);
    EXPECT_EQ(interfaces[1].bInterfaceSubClass, 0) << "no boot interface";
    EXPECT_EQ(interfaces[1].bNumEndpoints, 2);
    ASSERT_EQ(endpoints.size(), 4u);
    const bool high = speed == SCU_HIGH_SPEED;
    for (const unsigned address : {0x01u, 0x81u}) {
      EXPECT_EQ(endpoints.at(address).bmAttributes, USB_ENDPOINT_XFER_BULK);
      EXPECT_EQ(+endpoints.at(address).wMaxPacketSize, high ? 512 : 64) << "section 5.8.3";
      EXPECT_EQ(endpoints.at(address).bInterval, 0) << "no NAK rate is promised";
    }
    for (const unsigned address : {0x82u, 0x02u}) {
      EXPECT_EQ(endpoints.at(address).bmAttributes, USB_ENDPOINT_XFER_INT);
      EXPECT_EQ(+endpoints.at(address).wMaxPacketSize, 64) << "section 5.7.3: the most at full speed";
      EXPECT_EQ(endpoints.at(address).bInterval, high ? 4 : 1) << "1 ms, table 9-13";
    }
  }
}

TEST(Usb, OtherSpeedIsTheOtherConfigurationUnderItsOwnType) {
  for (const scu_speed speed : {SCU_FULL_SPEED, SCU_HIGH_SPEED}) {
    Bytes other = descriptor(SCU_OTHER_SPEED, 0, speed == SCU_HIGH_SPEED ? SCU_FULL_SPEED : SCU_HIGH_SPEED);
    EXPECT_EQ(other[1], USB_DT_OTHER_SPEED_CONFIG);
    other[1] = USB_DT_CONFIG;
    EXPECT_EQ(other, descriptor(SCU_CONFIGURATION_DESCRIPTOR, 0, speed));
  }
}

TEST(Usb, StringsAreUtf16AndTheSerialIsTheUuid) {
  EXPECT_EQ(descriptor(SCU_STRING, 0), (Bytes{4, USB_DT_STRING, 0x09, 0x04}));
  for (unsigned i = 1; i <= SCU_STRING_HID; ++i) {
    const Bytes s = descriptor(SCU_STRING, i);
    ASSERT_GT(s.size(), 2u);
    EXPECT_EQ(s[0], s.size());
    EXPECT_EQ(s.size() % 2, 0u);
    EXPECT_EQ(s[1], USB_DT_STRING);
  }
  std::string serial;
  const Bytes s = descriptor(SCU_STRING, as<usb_device_descriptor>(descriptor(SCU_DEVICE)).iSerialNumber);
  for (std::size_t at = 2; at < s.size(); at += 2) serial += static_cast<char>(s[at]);
  EXPECT_EQ(serial, "0123456789ab4def8123456789abcdef");
}

// HID 1.11 section 6.2.1, and 6.2.2 for the items; 5.6 and 8.4 for numbered reports.
TEST(Usb, HidReportsAreNumberedAndHave63Bytes) {
  const Bytes hid = descriptor(SCU_HID);
  const Bytes report = descriptor(SCU_HID_REPORT);
  EXPECT_EQ(hid, (Bytes{9, 0x21, 0x11, 0x01, 0, 1, 0x22, static_cast<std::uint8_t>(report.size()), 0}));
  const Bytes configuration = descriptor(SCU_CONFIGURATION_DESCRIPTOR);
  bool behind_interface = false, found = false;
  for (const Bytes& piece : pieces(configuration)) {
    if (piece[1] == 0x21) {
      EXPECT_TRUE(behind_interface) << "section 7.1: between interface and endpoints";
      EXPECT_EQ(piece, hid);
      found = true;
    }
    behind_interface = piece[1] == USB_DT_INTERFACE && piece[5] == USB_CLASS_HID;
  }
  EXPECT_TRUE(found);

  std::map<unsigned, unsigned> input_bits, output_bits;
  unsigned page = 0, size = 0, count = 0, id = 0, depth = 0;
  int minimum = -1, maximum = -1;
  for (std::size_t at = 0; at < report.size();) {
    const unsigned prefix = report[at++], bytes = prefix & 3;  // 3 would mean 4, which is not used
    ASSERT_LT(bytes, 3u);
    ASSERT_LE(at + bytes, report.size());
    const unsigned raw = bytes == 0 ? 0 : bytes == 1 ? report[at] : u16(report, at);
    const int is_signed = bytes == 1 ? static_cast<std::int8_t>(raw) : static_cast<std::int16_t>(raw);
    at += bytes;
    switch (prefix & 0xFC) {
      case 0x04:
        page = raw;
        break;
      case 0x14:
        minimum = is_signed;
        break;
      case 0x24:
        maximum = is_signed;
        break;
      case 0x74:
        size = raw;
        break;
      case 0x94:
        count = raw;
        break;
      case 0x84:
        id = raw;
        EXPECT_NE(id, 0u);
        break;
      case 0x08:
        EXPECT_NE(raw, 0u) << "usage 0 is undefined";
        break;
      case 0xA0:
        EXPECT_EQ(raw, 1u) << "application";
        ++depth;
        break;
      case 0xC0:
        --depth;
        break;
      case 0x80:
      case 0x90:
        EXPECT_EQ(depth, 1u);
        EXPECT_EQ(raw, 2u) << "data, variable, absolute";
        EXPECT_EQ(minimum, 0);
        EXPECT_EQ(maximum, 255);
        ((prefix & 0xFC) == 0x80 ? input_bits : output_bits)[id] += size * count;
        break;
      default:
        ADD_FAILURE() << "item " << prefix;
    }
  }
  EXPECT_EQ(depth, 0u);
  EXPECT_GE(page, 0xFF00u) << "vendor pages, HID usage tables section 3";
  EXPECT_EQ(input_bits, (std::map<unsigned, unsigned>{{SCU_REPORT_METER, 63 * 8}}));
  EXPECT_EQ(output_bits, (std::map<unsigned, unsigned>{{SCU_REPORT_HEARTBEAT, 63 * 8}, {SCU_REPORT_RAILS_OFF, 63 * 8}}));
  EXPECT_EQ(1 + 63, SCU_REPORT_BYTES);
  EXPECT_LE(SCU_REPORT_BYTES, SCU_HID_PACKET) << "one packet, never split at full speed";
}

// Engineering change "USB 2.0 Link Power Management", section 3; Microsoft OS 2.0 Descriptors Specification, tables 3 and 4
// (the UUID is also printed in the kernel's drivers/usb/gadget/configfs.c; layouts of the set from memory).
TEST(Usb, BosPromisesTheSetThatTheVendorRequestGives) {
  const Bytes all = descriptor(SCU_BOS);
  const auto head = as<usb_bos_descriptor>(all);
  EXPECT_EQ(head.bLength, USB_DT_BOS_SIZE);
  EXPECT_EQ(head.bDescriptorType, USB_DT_BOS);
  EXPECT_EQ(+head.wTotalLength, all.size());
  const auto parts = pieces(all);
  ASSERT_EQ(parts.size(), 1u + head.bNumDeviceCaps);
  EXPECT_EQ(as<usb_ext_cap_descriptor>(parts[1]).bDevCapabilityType, USB_CAP_TYPE_EXT);
  EXPECT_EQ(+as<usb_ext_cap_descriptor>(parts[1]).bmAttributes, 0u) << "no link power management";
  const Bytes& platform = parts[2];
  ASSERT_EQ(platform.size(), 28u);
  EXPECT_EQ(platform[2], 5);
  const Bytes uuid{0xdf, 0x60, 0xdd, 0xd8, 0x89, 0x45, 0xc7, 0x4c, 0x9c, 0xd2, 0x65, 0x9d, 0x9e, 0x64, 0x8a, 0x9f};
  EXPECT_TRUE(std::equal(uuid.begin(), uuid.end(), platform.begin() + 4));
  EXPECT_EQ(u16(platform, 24), ms_set().size());
  EXPECT_EQ(platform[26], SCU_MS_OS_20_REQUEST);
}

TEST(Usb, MicrosoftSetGivesInterface0ToTheGenericDriver) {
  const Bytes set = ms_set();
  // Header, configuration subset, function subset: each total is what is left; then the features up to the end.
  ASSERT_GE(set.size(), 26u);
  EXPECT_EQ(u16(set, 0), 10u);
  EXPECT_EQ(u16(set, 2), 0u);
  EXPECT_EQ(u16(set, 6), 0x0603u) << "Windows 8.1, the first that asks";
  EXPECT_EQ(u16(set, 8), set.size());
  EXPECT_EQ(u16(set, 12), 1u);
  EXPECT_EQ(u16(set, 16), set.size() - 10);
  EXPECT_EQ(u16(set, 20), 2u);
  EXPECT_EQ(set[22], SCU_BULK_INTERFACE);
  EXPECT_EQ(u16(set, 24), set.size() - 18);
  std::set<unsigned> features;
  for (std::size_t at = 26; at < set.size(); at += u16(set, at)) {
    ASSERT_GE(u16(set, at), 4u);
    features.insert(u16(set, at + 2));
    if (u16(set, at + 2) == 3) {
      EXPECT_EQ(std::string(set.begin() + static_cast<std::ptrdiff_t>(at) + 4, set.begin() + static_cast<std::ptrdiff_t>(at) + 12),
                std::string("WINUSB\0\0", 8));
    } else {
      const std::size_t name = u16(set, at + 6), data = u16(set, at + 8 + name);
      EXPECT_EQ(u16(set, at + 4), 7u) << "a list of strings";
      EXPECT_EQ(u16(set, at), 10 + name + data);
      EXPECT_EQ(data, 2u * (38 + 2)) << "one GUID and two closing zeros";
    }
  }
  EXPECT_EQ(features, (std::set<unsigned>{3, 4}));
}

TEST(Usb, ReportsAreTheFrozenOnes) {
  scu_meter meter{};
  meter.flags = SCU_SOCKET_ON | SCU_WP_HIGH | SCU_TRUSTED;
  meter.socket_mv = 3301;
  meter.socket_ma = 12;
  meter.port_mv = 4987;
  meter.port_ua = -250;
  meter.sequence = 77;
  meter.boot_counter = 7;
  meter.ns = 12500000000;
  meter.heartbeat_token = 0xa1b2c3d4;
  meter.rails_off_token = 5;
  std::copy(kUuid.begin(), kUuid.end(), meter.uuid);
  Bytes out(SCU_REPORT_BYTES, 0xEE);
  scu_put_meter(out.data(), &meter);
  EXPECT_EQ(out, load_vector("usb/report_meter"));
  scu_meter back{};
  ASSERT_TRUE(scu_get_meter(out.data(), out.size(), &back));
  Bytes again(SCU_REPORT_BYTES);
  scu_put_meter(again.data(), &back);
  EXPECT_EQ(again, out);

  scu_put_token(out.data(), SCU_REPORT_HEARTBEAT, 0xa1b2c3d4);
  EXPECT_EQ(out, load_vector("usb/report_heartbeat"));
  scu_put_token(out.data(), SCU_REPORT_RAILS_OFF, 5);
  EXPECT_EQ(out, load_vector("usb/report_rails_off"));
}

TEST(Usb, ShortAndForeignReportsAreRefused) {
  const Bytes meter = load_vector("usb/report_meter");
  scu_meter out{};
  for (std::size_t n = 0; n < meter.size(); ++n)
    EXPECT_FALSE(scu_get_meter(Bytes(meter.begin(), meter.begin() + static_cast<std::ptrdiff_t>(n)).data(), n, &out));
  std::uint8_t id = 0;
  std::uint32_t token = 0;
  EXPECT_FALSE(scu_get_token(meter.data(), meter.size(), &id, &token));
  EXPECT_FALSE(scu_get_meter(load_vector("usb/report_heartbeat").data(), 64, &out));
  const Bytes off = load_vector("usb/report_rails_off");
  EXPECT_FALSE(scu_get_token(off.data(), 4, &id, &token));
  ASSERT_TRUE(scu_get_token(off.data(), 5, &id, &token)) << "the zeros behind the token may be missing";
  EXPECT_EQ(id, SCU_REPORT_RAILS_OFF);
  EXPECT_EQ(token, 5u);
}
