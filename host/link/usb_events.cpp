#include "link/usb_events.h"

#include <system_error>
#include <utility>

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
  const std::shared_ptr<UsbEvents> events(new UsbEvents(calls, context));
  try {
    events->thread_ = std::thread([raw = events.get()] { raw->pump(); });
  } catch (const std::system_error& error) {
    return failure(ErrorCode::link_open_failed, "USB cannot be used here: no thread for its events: {}", error.what());
  }
  running = events;
  return events;
}

UsbEvents::UsbEvents(UsbCalls& calls, libusb_context* context) : calls_(calls), context_(context) {
  libusb_hotplug_callback_handle watch{};
  if (calls_.watch(context_, &UsbEvents::on_plug, this, &watch) == 0) watch_ = watch;
}

UsbEvents::~UsbEvents() {
  if (thread_.joinable()) {
    ending_ = true;
    calls_.interrupt(context_);
    thread_.join();
  }
  // Not before: libusb lets go of its own lock around a callback, so while events are handled one may still begin or run.
  if (watch_) calls_.unwatch(context_, *watch_);
  calls_.exit(context_);
}

int LIBUSB_CALL UsbEvents::on_plug(libusb_context* /*context*/, libusb_device* device, libusb_hotplug_event event, void* user) {
  constexpr int kKeepWatching = 0;
  if (event != LIBUSB_HOTPLUG_EVENT_DEVICE_LEFT) return kKeepWatching;
  auto& self = *static_cast<UsbEvents*>(user);
  const std::lock_guard lock(self.asking_);
  if (const auto asked = self.gone_.extract(device)) asked.mapped()();
  return kKeepWatching;
}

void UsbEvents::when_gone(libusb_device* device, std::function<void()> callback) {
  const std::lock_guard lock(asking_);
  gone_.insert_or_assign(device, std::move(callback));
}

void UsbEvents::forget(libusb_device* device) {
  const std::lock_guard lock(asking_);
  gone_.erase(device);
}

void UsbEvents::pump() {
  while (!ending_) {
    // Interrupting wakes it; the limit is for a wake-up that came between the question above and the wait.
    timeval longest{.tv_sec = 0, .tv_usec = 100'000};
    calls_.handle_events(context_, &longest);
    for (const auto& callback : after_round_) callback();
    after_round_.clear();
  }
}

}  // namespace steadycell::link
