#pragma once
#include <gtest/gtest.h>
#include <libusb-1.0/libusb.h>

#include <array>
#include <chrono>
#include <optional>
#include <string>
#include <thread>

#include "base/bytes.h"
#include "firmware_protocol/frames.h"
#include "steadycell/usb.h"

namespace steadycell::vm {

using namespace std::chrono_literals;

// The least USB host there can be, on libusb: finds a board by its serial, and speaks frames over its bulk endpoints.
class UsbHost {
 public:
  UsbHost() { EXPECT_EQ(libusb_init(&context_), 0); }
  ~UsbHost() {
    close();
    libusb_exit(context_);
  }
  UsbHost(const UsbHost&) = delete;
  UsbHost& operator=(const UsbHost&) = delete;

  // Opens the board and claims interface 0; false when it does not appear in time.
  bool open(const std::string& serial, std::chrono::milliseconds patience = 10s) {
    const auto until = std::chrono::steady_clock::now() + patience;
    while (!try_open(serial)) {
      if (std::chrono::steady_clock::now() > until) return false;
      std::this_thread::sleep_for(50ms);
    }
    return true;
  }
  void close() {
    if (handle_) libusb_close(handle_);
    handle_ = nullptr;
  }
  libusb_context* context() const { return context_; }
  libusb_device_handle* handle() const { return handle_; }
  libusb_device* device() const { return libusb_get_device(handle_); }

  struct Got {
    int status = 0;  // LIBUSB_SUCCESS or LIBUSB_ERROR_*
    Bytes bytes;
  };
  Got in(int size, unsigned timeout_ms = 2000) const {
    Got got{0, Bytes(static_cast<std::size_t>(size))};
    int n = 0;
    got.status = libusb_bulk_transfer(handle_, in_, got.bytes.data(), size, &n, timeout_ms);
    got.bytes.resize(static_cast<std::size_t>(n));
    return got;
  }
  int out(Bytes bytes) const {
    int n = 0;
    const int status = libusb_bulk_transfer(handle_, out_, bytes.data(), static_cast<int>(bytes.size()), &n, 2000);
    return status != 0 ? status : n == static_cast<int>(bytes.size()) ? 0 : -1000;
  }
  Bytes request(std::uint16_t type, const Bytes& payload = {}) {
    return frames::encode(SCP_CHANNEL_COMMAND, type, sequence_++, ++id_, payload);
  }
  Bytes hello() {
    sequence_ = 0;
    return request(SCP_HELLO, {1, 1, 0, 0});
  }
  // Sends a request and returns its answer; frames in front of it and zero-length transfers are passed over.
  std::optional<frames::Frame> ask(const Bytes& request_frame) {
    if (out(request_frame) != 0) return std::nullopt;
    for (int i = 0; i < 50; ++i) {
      const Got got = in(16384);
      if (got.status != 0) return std::nullopt;
      parser_.feed(got.bytes);
      for (const frames::Frame& f : parser_.found)
        if (f.header.request_id == id_ && f.header.channel == SCP_CHANNEL_COMMAND) {
          frames::Frame answer = f;
          parser_.found.clear();
          return answer;
        }
    }
    return std::nullopt;
  }
  int status_of(const Bytes& request_frame) {
    const auto answer = ask(request_frame);
    return answer ? scp_get_u16(answer->payload.data()) : -1;
  }
  frames::Collector& parser() { return parser_; }

 private:
  bool try_open(const std::string& serial) {
    libusb_device** list = nullptr;
    const ssize_t n = libusb_get_device_list(context_, &list);
    for (ssize_t i = 0; i < n && !handle_; ++i) {
      libusb_device_descriptor d{};
      libusb_device_handle* h = nullptr;
      if (libusb_get_device_descriptor(list[i], &d) != 0 || d.idVendor != SCU_VENDOR || d.idProduct != SCU_PRODUCT ||
          libusb_open(list[i], &h) != 0)
        continue;
      std::array<unsigned char, 64> text{};
      const int length = libusb_get_string_descriptor_ascii(h, d.iSerialNumber, text.data(), text.size());
      const bool ours = length > 0 && serial == std::string(text.begin(), text.begin() + length);
      if (ours && libusb_claim_interface(h, SCU_BULK_INTERFACE) == 0) {
        handle_ = h;
        find_endpoints();
      } else {
        libusb_close(h);
      }
    }
    libusb_free_device_list(list, 1);
    return handle_ != nullptr;
  }

  // From the descriptors: the controller under a gadget may number them otherwise.
  void find_endpoints() {
    libusb_config_descriptor* c = nullptr;
    ASSERT_EQ(libusb_get_active_config_descriptor(device(), &c), 0);
    const libusb_interface_descriptor& bulk = c->interface[SCU_BULK_INTERFACE].altsetting[0];
    for (int i = 0; i < bulk.bNumEndpoints; ++i) {
      const unsigned char address = bulk.endpoint[i].bEndpointAddress;
      ((address & LIBUSB_ENDPOINT_IN) != 0 ? in_ : out_) = address;
    }
    libusb_free_config_descriptor(c);
  }

  libusb_context* context_ = nullptr;
  libusb_device_handle* handle_ = nullptr;
  unsigned char in_ = 0, out_ = 0;
  frames::Collector parser_;
  std::uint32_t sequence_ = 0, id_ = 0;
};

}  // namespace steadycell::vm
