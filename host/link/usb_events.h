#pragma once
#include <atomic>
#include <functional>
#include <map>
#include <memory>
#include <mutex>
#include <optional>
#include <thread>
#include <utility>
#include <vector>

#include "base/result.h"
#include "link/usb_calls.h"

namespace steadycell::link {

// libusb's context and the one thread that pumps its events, for as long as any link of this process wants it. Callbacks of
// transfers and of plugging run on that thread; it is joined before the context ends.
class UsbEvents {
 public:
  // The one that runs for these calls, else a new one. Errors: link_open_failed.
  static Result<std::shared_ptr<UsbEvents>> get(UsbCalls& calls);
  ~UsbEvents();
  UsbEvents(const UsbEvents&) = delete;
  UsbEvents& operator=(const UsbEvents&) = delete;

  UsbCalls& calls() const { return calls_; }
  libusb_context* context() const { return context_; }

  // Calls back once, on the event thread, when the device leaves the bus; never where libusb cannot hear of plugging, so whoever asks
  // must also learn of it from its transfers. The device must be open, or held otherwise, until forget(). The callback may do no more
  // than post: a lock is held meanwhile, and libusb allows no waiting call from there.
  void when_gone(libusb_device* device, std::function<void()> callback);
  // Behind this no callback for the device runs or will.
  void forget(libusb_device* device);
  // For callbacks of transfers alone, so on the event thread: calls back there once all that has ended meanwhile was handed out. Waking
  // another thread for each transfer costs more than the transfer.
  void after_round(std::function<void()> callback) { after_round_.push_back(std::move(callback)); }

 private:
  UsbEvents(UsbCalls& calls, libusb_context* context);
  static int LIBUSB_CALL on_plug(libusb_context* context, libusb_device* device, libusb_hotplug_event event, void* user);
  void pump();

  UsbCalls& calls_;
  libusb_context* context_;
  std::mutex asking_;  // never held over a call of libusb
  std::map<libusb_device*, std::function<void()>> gone_;
  std::optional<libusb_hotplug_callback_handle> watch_;
  std::vector<std::function<void()>> after_round_;  // the event thread's
  std::atomic<bool> ending_ = false;
  std::thread thread_;  // last: it uses the others
};

}  // namespace steadycell::link
