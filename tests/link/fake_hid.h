#pragma once
#include <algorithm>
#include <atomic>
#include <chrono>
#include <deque>
#include <mutex>
#include <thread>

#include "link/hid_calls.h"
#include "steadycell/usb.h"

namespace steadycell::link::testing {

// One board's identity, as its serial number and as people write it.
inline constexpr const char* kSerial = "00112233445566778899aabbccddeeff";
inline constexpr const char* kUuid = "00112233-4455-6677-8899-AABBCCDDEEFF";

// Stands in for hidapi and the kernel: one device that answers as a board does, until the test says otherwise.
class FakeHid : public HidCalls {
 public:
  std::atomic<bool> present{true}, refused{false}, deaf{false}, mute{false};
  std::atomic<int> opened{0}, open_now{0}, looks{0};

  void set_nodes(std::vector<HidNode> nodes) {
    const std::lock_guard lock(mutex_);
    nodes_ = std::move(nodes);
  }
  void set_uuid(const Bytes& uuid) {
    const std::lock_guard lock(mutex_);
    std::copy_n(uuid.begin(), 16, meter_.uuid);
  }
  std::vector<std::string> paths() {
    const std::lock_guard lock(mutex_);
    return paths_;
  }
  scu_meter meter() {
    const std::lock_guard lock(mutex_);
    return meter_;
  }

  std::vector<HidNode> boards() override {
    ++looks;
    const std::lock_guard lock(mutex_);
    return present ? nodes_ : std::vector<HidNode>();
  }
  hid_device* open(const std::string& path, std::string& why) override {
    why = path + ": Permission denied";
    if (refused || !present) return nullptr;
    const std::lock_guard lock(mutex_);
    paths_.push_back(path);
    ++opened;
    ++open_now;
    return reinterpret_cast<hid_device*>(this);
  }
  void close(hid_device*) override { --open_now; }
  bool write(hid_device*, ByteSpan report) override {
    if (!present || deaf) return false;
    const std::lock_guard lock(mutex_);
    std::uint8_t id = 0;
    std::uint32_t token = 0;
    if (!scu_get_token(report.data(), report.size(), &id, &token)) return false;
    (id == SCU_REPORT_HEARTBEAT ? meter_.heartbeat_token : meter_.rails_off_token) = token;
    return true;
  }
  int read(hid_device*, MutableByteSpan into, int) override {
    std::this_thread::sleep_for(std::chrono::milliseconds(1));
    if (!present) return -1;
    if (mute) return 0;
    const std::lock_guard lock(mutex_);
    ++meter_.sequence;
    scu_put_meter(into.data(), &meter_);
    return SCU_REPORT_BYTES;
  }

 private:
  std::mutex mutex_;
  std::vector<HidNode> nodes_;
  std::vector<std::string> paths_;  // opened
  scu_meter meter_{};
};

}  // namespace steadycell::link::testing
