#include "link/usb_events.h"

#include <mutex>

namespace steadycell::link {

Result<std::shared_ptr<UsbEvents>> UsbEvents::get(UsbCalls& calls) {
  // Guards who may start one, nothing that a transfer does.
  static std::mutex starting;
  static std::weak_ptr<UsbEvents> running;
  const std::lock_guard lock(starting);
  if (auto events = running.lock(); events && &events->calls_ == &calls) return events;
  libusb_context* context = nullptr;
  if (const int status = calls.init(&context); status != 0)
    return failure(ErrorCode::link_open_failed, "USB cannot be used here: {}", libusb_error_name(status));
  auto events = std::make_shared<UsbEvents>(calls, context);
  running = events;
  return events;
}

UsbEvents::UsbEvents(UsbCalls& calls, libusb_context* context)
    : calls_(calls), context_(context), thread_([this] { pump(); }) {}

UsbEvents::~UsbEvents() {
  ending_ = true;
  calls_.interrupt(context_);
  thread_.join();
  calls_.exit(context_);
}

void UsbEvents::pump() {
  while (!ending_) {
    // Interrupting wakes it; the limit is for a wake-up that came between the question above and the wait.
    timeval longest{.tv_sec = 0, .tv_usec = 100'000};
    calls_.handle_events(context_, &longest);
  }
}

}  // namespace steadycell::link
