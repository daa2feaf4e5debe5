#pragma once
#include <algorithm>
#include <array>
#include <atomic>
#include <chrono>
#include <condition_variable>
#include <deque>
#include <functional>
#include <map>
#include <mutex>
#include <string>
#include <thread>
#include <utility>
#include <vector>

#include "base/bytes.h"
#include "link/usb_calls.h"
#include "steadycell/usb.h"

namespace steadycell::link::testing {

// Stands in for libusb and the kernel: devices are a list, and what becomes of each transfer is said by the test. Completions
// are handed out by handle_events(), as libusb does, so on the link's own event thread.
class FakeUsb : public UsbCalls {
 public:
  struct Device {
    std::string place, serial;
    int speed = LIBUSB_SPEED_HIGH;
    std::uint16_t vendor = SCU_VENDOR;
    int open_status = 0, claim_status = 0;
    int refusals = 0;  // so many opens fail with ACCESS first
    std::string node{}, driver{};
  };
  struct Completion {
    libusb_transfer_status status = LIBUSB_TRANSFER_COMPLETED;
    Bytes bytes{};  // IN
    int took = -1;  // OUT; -1: all
  };

  std::vector<Device> devices;
  int init_status = 0, clear_status = 0, reclaim_status = 0, reset_status = 0;
  std::atomic<int> settings{0}, resets{0};
  std::chrono::milliseconds clear_takes{0};
  unsigned limit_mib = 16;
  std::size_t most_in_flight = 1000;  // then NO_MEM
  bool keeps_transfers = false;       // cancelling does nothing, as with a kernel that hangs

  // The next IN transfers end so, in this order.
  void answer(Completion completion) {
    const std::lock_guard lock(mutex_);
    answers_.push_back(std::move(completion));
    happened_.notify_all();
  }
  // The next OUT transfers end so; without one they are taken whole.
  void take(Completion completion) {
    const std::lock_guard lock(mutex_);
    takings_.push_back(std::move(completion));
  }
  // Every transfer ends, as when a hub loses its power.
  void unplug() {
    const std::lock_guard lock(mutex_);
    unplugged_ = true;
    happened_.notify_all();
  }
  // Tells who watches the bus, once more each time; transfers are not touched by that.
  void plug_event(const Device& device, libusb_hotplug_event event = LIBUSB_HOTPLUG_EVENT_DEVICE_LEFT) {
    const std::lock_guard lock(mutex_);
    plug_events_.emplace_back(reinterpret_cast<libusb_device*>(const_cast<Device*>(&device)), event);
    happened_.notify_all();
  }
  Bytes written() {
    const std::lock_guard lock(mutex_);
    return written_;
  }
  std::size_t in_flight() {
    const std::lock_guard lock(mutex_);
    return flying_.size();
  }
  int contexts = 0, handles = 0, claims = 0, halts_cleared = 0, most_seen = 0, opens = 0, halts_cleared_in_flight = 0;
  int watch_status = 0;
  std::atomic<int> watches{0}, plug_events_told{0}, unwatched_while_handling{0};

  int init(libusb_context** context) override {
    if (init_status != 0) return init_status;
    ++contexts;
    *context = reinterpret_cast<libusb_context*>(this);
    return 0;
  }
  void exit(libusb_context*) override {
    const std::lock_guard lock(mutex_);
    --contexts;
    plug_events_.clear();
  }
  int watch(libusb_context*, libusb_hotplug_callback_fn callback, void* user, libusb_hotplug_callback_handle* watch) override {
    if (watch_status != 0) return watch_status;
    const std::lock_guard lock(mutex_);
    watching_ = [callback, user](libusb_device* device, libusb_hotplug_event event) { callback(nullptr, device, event, user); };
    *watch = ++watches;
    return 0;
  }
  void unwatch(libusb_context*, libusb_hotplug_callback_handle watch) override {
    const std::lock_guard lock(mutex_);
    unwatched_while_handling += handling_ || watch != watches ? 1 : 0;
    --watches;
    watching_ = {};
  }
  void interrupt(libusb_context*) override {
    const std::lock_guard lock(mutex_);
    interrupted_ = true;
    happened_.notify_all();
  }
  int handle_events(libusb_context*, timeval* longest) override {
    std::unique_lock lock(mutex_);
    handling_ = true;
    happened_.wait_for(lock, std::chrono::microseconds(longest->tv_usec), [&] { return interrupted_ || something_ends(); });
    interrupted_ = false;
    // As libusb does: plugging first, and without a lock around what is called.
    while (!plug_events_.empty()) {
      const auto [device, event] = plug_events_.front();
      plug_events_.pop_front();
      if (!watching_) continue;
      const auto tell = watching_;
      lock.unlock();
      tell(device, event);
      ++plug_events_told;
      lock.lock();
    }
    while (libusb_transfer* transfer = next_end()) {
      lock.unlock();
      transfer->callback(transfer);
      lock.lock();
    }
    handling_ = false;
    return 0;
  }
  ssize_t device_list(libusb_context*, libusb_device*** list) override {
    for (std::size_t i = 0; i < devices.size(); ++i) list_[i] = reinterpret_cast<libusb_device*>(&devices[i]);
    *list = list_.data();
    return static_cast<ssize_t>(devices.size());
  }
  void free_device_list(libusb_device**) override {}
  int descriptor(libusb_device* device, libusb_device_descriptor* out) override {
    out->idVendor = of(device).vendor;
    out->idProduct = SCU_PRODUCT;
    out->bcdDevice = 0x0010;
    return 0;
  }
  int speed(libusb_device* device) override { return of(device).speed; }
  std::string place(libusb_device* device) override { return of(device).place; }
  std::string node(libusb_device* device) override {
    return of(device).node.empty() ? "/nonexistent/" + of(device).place : of(device).node;
  }
  std::string driver(libusb_device* device) override { return of(device).driver; }
  std::string serial(libusb_device* device) override { return of(device).serial; }
  int open(libusb_device* device, libusb_device_handle** handle) override {
    ++opens;
    if (of(device).refusals-- > 0) return LIBUSB_ERROR_ACCESS;
    if (of(device).open_status != 0) return of(device).open_status;
    ++handles;
    *handle = reinterpret_cast<libusb_device_handle*>(device);
    return 0;
  }
  void close(libusb_device_handle*) override { --handles; }
  int claim(libusb_device_handle* handle, int) override {
    const int status = reinterpret_cast<Device*>(handle)->claim_status;
    claims += status == 0 ? 1 : 0;
    return status;
  }
  int release(libusb_device_handle*, int) override {
    --claims;
    return 0;
  }
  int submit(libusb_transfer* transfer) override {
    const std::lock_guard lock(mutex_);
    if (unplugged_) return LIBUSB_ERROR_NO_DEVICE;
    if (flying_.size() >= most_in_flight) return LIBUSB_ERROR_NO_MEM;
    flying_.push_back(transfer);
    most_seen = std::max(most_seen, static_cast<int>(flying_.size()));
    happened_.notify_all();
    return 0;
  }
  int cancel(libusb_transfer* transfer) override {
    const std::lock_guard lock(mutex_);
    if (std::find(flying_.begin(), flying_.end(), transfer) == flying_.end()) return LIBUSB_ERROR_NOT_FOUND;
    if (!keeps_transfers) cancelled_.push_back(transfer);
    happened_.notify_all();
    return 0;
  }
  int set_interface(libusb_device_handle*, int, int) override {
    ++settings;
    return reclaim_status;
  }
  int reset(libusb_device_handle*) override {
    ++resets;
    return reset_status;
  }
  int clear_halt(libusb_device_handle*, unsigned char endpoint) override {
    std::this_thread::sleep_for(clear_takes);
    const std::lock_guard lock(mutex_);
    ++halts_cleared;
    for (const libusb_transfer* transfer : flying_) halts_cleared_in_flight += transfer->endpoint == endpoint ? 1 : 0;
    return clear_status;
  }
  unsigned memory_limit_mib() override { return limit_mib; }

 private:
  static Device& of(libusb_device* device) { return *reinterpret_cast<Device*>(device); }
  static bool is_in(const libusb_transfer* transfer) { return (transfer->endpoint & LIBUSB_ENDPOINT_IN) != 0; }
  auto first_of(bool in) {
    return std::find_if(flying_.begin(), flying_.end(), [in](const libusb_transfer* t) { return is_in(t) == in; });
  }
  bool something_ends() {
    if (!plug_events_.empty()) return true;
    if (keeps_transfers) return false;
    return (!flying_.empty() && unplugged_) || !cancelled_.empty() || first_of(false) != flying_.end() ||
           (!answers_.empty() && first_of(true) != flying_.end());
  }
  libusb_transfer* end(libusb_transfer* transfer, libusb_transfer_status status, std::size_t n) {
    std::erase(flying_, transfer);
    std::erase(cancelled_, transfer);
    transfer->status = status;
    transfer->actual_length = static_cast<int>(n);
    return transfer;
  }
  libusb_transfer* next_end() {
    if (keeps_transfers) return nullptr;
    if (unplugged_ && !flying_.empty()) return end(flying_.front(), LIBUSB_TRANSFER_NO_DEVICE, 0);
    if (!cancelled_.empty()) return end(cancelled_.front(), LIBUSB_TRANSFER_CANCELLED, 0);
    if (const auto out = first_of(false); out != flying_.end()) {
      libusb_transfer* transfer = *out;
      Completion taken;
      if (!takings_.empty()) {
        taken = takings_.front();
        takings_.pop_front();
      }
      const int n = taken.took < 0 ? transfer->length : taken.took;
      written_.insert(written_.end(), transfer->buffer, transfer->buffer + n);
      return end(transfer, taken.status, static_cast<std::size_t>(n));
    }
    const auto in = first_of(true);
    if (answers_.empty() || in == flying_.end()) return nullptr;
    const Completion answer = answers_.front();
    answers_.pop_front();
    std::copy(answer.bytes.begin(), answer.bytes.end(), (*in)->buffer);
    return end(*in, answer.status, answer.bytes.size());
  }

  std::mutex mutex_;
  std::condition_variable happened_;
  bool interrupted_ = false, unplugged_ = false, handling_ = false;
  std::function<void(libusb_device*, libusb_hotplug_event)> watching_;
  std::deque<std::pair<libusb_device*, libusb_hotplug_event>> plug_events_;
  std::array<libusb_device*, 8> list_{};
  std::vector<libusb_transfer*> flying_, cancelled_;  // in the order of submission
  std::deque<Completion> answers_, takings_;
  Bytes written_;
};

}  // namespace steadycell::link::testing
