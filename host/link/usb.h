#pragma once
#include <chrono>
#include <vector>

#include "link/hid_calls.h"
#include "link/link.h"
#include "link/usb_calls.h"

// Boards on USB, by libusb: bulk endpoints carry the same frames as any other link (PROTOCOL.md section 9).
namespace steadycell::link {

struct UsbBoard {
  std::string place;   // "1-2.3"
  std::string node;    // "/dev/bus/usb/001/004"
  std::string serial;  // the UUID as 32 hex digits; empty when the kernel has none
  bool full_speed = false;
  std::string speed;    // in words, "high speed (480 Mbit/s)"
  std::string release;  // bcdDevice, "0.10"
  std::string driver;   // what has interface 0 now: "usbfs" for a program, else a kernel driver; empty: nothing
};

// Whatever carries the board's vendor and product number, in the order of the bus. Asks nothing of the boards themselves.
Result<std::vector<UsbBoard>> list_usb_boards(UsbCalls& calls = real_usb());

struct UsbPatience {
  std::chrono::milliseconds permission{3000};  // a node's owner is set a moment after it appears
  std::chrono::milliseconds first_retry{50}, longest_retry{800};
};

// `which`: empty for the one board there is, a UUID (dashes and case do not matter), or a place. Errors: link_open_failed,
// board_ambiguous, usb_permission, board_busy.
asio::awaitable<Result<std::unique_ptr<Link>>> open_usb(std::string which, UsbCalls& calls = real_usb(),
                                                        UsbPatience patience = {}, HidCalls& hid = real_hid());

}  // namespace steadycell::link
