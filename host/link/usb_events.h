#pragma once
#include <atomic>
#include <memory>
#include <thread>

#include "base/result.h"
#include "link/usb_calls.h"

namespace steadycell::link {

// libusb's context and the one thread that pumps its events, for as long as any link of this process wants it. Callbacks of
// transfers run on that thread; it is joined before the context ends.
class UsbEvents {
 public:
  // The one that runs for these calls, else a new one. Errors: link_open_failed.
  static Result<std::shared_ptr<UsbEvents>> get(UsbCalls& calls);
  UsbEvents(UsbCalls& calls, libusb_context* context);
  ~UsbEvents();
  UsbEvents(const UsbEvents&) = delete;
  UsbEvents& operator=(const UsbEvents&) = delete;

  UsbCalls& calls() const { return calls_; }
  libusb_context* context() const { return context_; }

 private:
  void pump();

  UsbCalls& calls_;
  libusb_context* context_;
  std::atomic<bool> ending_ = false;
  std::thread thread_;  // last: it uses the others
};

}  // namespace steadycell::link
