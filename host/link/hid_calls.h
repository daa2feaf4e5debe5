#pragma once
#include <hidapi.h>

#include <string>
#include <vector>

#include "base/bytes.h"

namespace steadycell::link {

// A HID interface with the board's vendor and product number, as the kernel knows it.
struct HidNode {
  std::string path;    // "/dev/hidraw3"
  std::string serial;  // the UUID as 32 hex digits
  std::string place;   // "1-2.3"; empty when the kernel does not tell
};

// What this room asks of hidapi: the seam at which tests/link/fake_hid.h takes the kernel's place. All calls of one device come from
// one thread; boards() and open() may come from several, as there may be several boards.
class HidCalls {
 public:
  virtual ~HidCalls() = default;
  virtual std::vector<HidNode> boards();
  // Null when it fails; `why` then says so in words.
  virtual hid_device* open(const std::string& path, std::string& why);
  virtual void close(hid_device* device);
  // False: the device is gone.
  virtual bool write(hid_device* device, ByteSpan report);
  // Bytes of a report; 0: none came in that time; -1: the device is gone.
  virtual int read(hid_device* device, MutableByteSpan into, int milliseconds);
};

HidCalls& real_hid();

}  // namespace steadycell::link
