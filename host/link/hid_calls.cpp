#include "link/hid_calls.h"

#include <fmt/format.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <filesystem>
#include <memory>
#include <mutex>

#include "base/text.h"
#include "steadycell/usb.h"

namespace steadycell::link {
namespace {

// hidapi keeps the message of a failed search or opening in one place for the whole process.
std::mutex& searching() {
  static std::mutex mutex;
  return mutex;
}

// hidraw3 is a child of 0003:1209:0001.0004, and that of the USB interface 1-2.3:1.1.
std::string place_of(const std::string& path) {
  std::error_code code;
  const auto device = std::filesystem::canonical("/sys/class/hidraw/" + std::filesystem::path(path).filename().string() + "/device", code);
  if (code) return {};
  const std::string interface = device.parent_path().filename().string();
  return interface.substr(0, interface.find(':'));
}

std::string narrow(const wchar_t* text) {
  std::string out;
  for (; text != nullptr && *text != 0; ++text) out += *text > 0 && *text < 0x7F ? static_cast<char>(*text) : '?';
  return out;
}

}  // namespace

std::vector<HidNode> HidCalls::boards() {
  const std::lock_guard lock(searching());
  std::vector<HidNode> found;
  const std::unique_ptr<hid_device_info, decltype(&hid_free_enumeration)> list(hid_enumerate(SCU_VENDOR, SCU_PRODUCT),
                                                                               &hid_free_enumeration);
  for (const hid_device_info* one = list.get(); one != nullptr; one = one->next)
    if (one->interface_number == SCU_HID_INTERFACE)
      found.push_back({.path = one->path, .serial = narrow(one->serial_number), .place = place_of(one->path)});
  return found;
}

hid_device* HidCalls::open(const std::string& path, std::string& why) {
  const std::lock_guard lock(searching());
  if (hid_device* device = hid_open_path(path.c_str())) return device;
  const bool refused = ::access(path.c_str(), R_OK | W_OK) != 0;
  why = fmt::format("{}: {}", path, refused ? std::strerror(errno) : printable(narrow(hid_error(nullptr))));
  return nullptr;
}

void HidCalls::close(hid_device* device) {
  hid_close(device);
}

bool HidCalls::write(hid_device* device, ByteSpan report) {
  return hid_write(device, report.data(), report.size()) == static_cast<int>(report.size());
}

int HidCalls::read(hid_device* device, MutableByteSpan into, int milliseconds) {
  return hid_read_timeout(device, into.data(), into.size(), milliseconds);
}

HidCalls& real_hid() {
  // Never destroyed: a thread that the kernel holds in a write may outlive main().
  static HidCalls& calls = *new HidCalls;
  return calls;
}

}  // namespace steadycell::link
