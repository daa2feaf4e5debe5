#include "link/usb_calls.h"

#include <fmt/format.h>

#include <array>
#include <filesystem>
#include <fstream>

#include "steadycell/usb.h"

namespace steadycell::link {

int UsbCalls::init(libusb_context** context) {
  return libusb_init(context);
}
void UsbCalls::exit(libusb_context* context) {
  libusb_exit(context);
}
int UsbCalls::handle_events(libusb_context* context, timeval* longest) {
  return libusb_handle_events_timeout_completed(context, longest, nullptr);
}
void UsbCalls::interrupt(libusb_context* context) {
  libusb_interrupt_event_handler(context);
}
int UsbCalls::watch(libusb_context* context, libusb_hotplug_callback_fn callback, void* user, libusb_hotplug_callback_handle* watch) {
  if (libusb_has_capability(LIBUSB_CAP_HAS_HOTPLUG) == 0) return LIBUSB_ERROR_NOT_SUPPORTED;
  return libusb_hotplug_register_callback(context, LIBUSB_HOTPLUG_EVENT_DEVICE_LEFT, LIBUSB_HOTPLUG_NO_FLAGS, SCU_VENDOR, SCU_PRODUCT,
                                          LIBUSB_HOTPLUG_MATCH_ANY, callback, user, watch);
}
void UsbCalls::unwatch(libusb_context* context, libusb_hotplug_callback_handle watch) {
  libusb_hotplug_deregister_callback(context, watch);
}
ssize_t UsbCalls::device_list(libusb_context* context, libusb_device*** list) {
  return libusb_get_device_list(context, list);
}
void UsbCalls::free_device_list(libusb_device** list) {
  libusb_free_device_list(list, 1);
}
int UsbCalls::descriptor(libusb_device* device, libusb_device_descriptor* out) {
  return libusb_get_device_descriptor(device, out);
}
int UsbCalls::speed(libusb_device* device) {
  return libusb_get_device_speed(device);
}
int UsbCalls::max_packet(libusb_device* device, unsigned char endpoint) {
  return libusb_get_max_packet_size(device, endpoint);
}

std::string UsbCalls::place(libusb_device* device) {
  std::array<std::uint8_t, 7> ports{};  // USB 3.2 section 10: at most seven tiers
  const int depth = libusb_get_port_numbers(device, ports.data(), static_cast<int>(ports.size()));
  if (depth <= 0) return {};
  std::string text = fmt::format("{}-{}", libusb_get_bus_number(device), ports[0]);
  for (std::size_t i = 1; i < static_cast<std::size_t>(depth); ++i) text += fmt::format(".{}", ports[i]);
  return text;
}

std::string UsbCalls::node(libusb_device* device) {
  return fmt::format("/dev/bus/usb/{:03}/{:03}", libusb_get_bus_number(device), libusb_get_device_address(device));
}

std::string UsbCalls::serial(libusb_device* device) {
  std::ifstream file("/sys/bus/usb/devices/" + place(device) + "/serial");
  std::string text;
  std::getline(file, text);
  return text;
}

std::string UsbCalls::driver(libusb_device* device) {
  std::error_code code;
  const auto target = std::filesystem::read_symlink("/sys/bus/usb/devices/" + place(device) + ":1.0/driver", code);
  return code ? std::string() : target.filename().string();
}

int UsbCalls::open(libusb_device* device, libusb_device_handle** handle) {
  return libusb_open(device, handle);
}
void UsbCalls::close(libusb_device_handle* handle) {
  libusb_close(handle);
}
int UsbCalls::claim(libusb_device_handle* handle, int interface) {
  return libusb_claim_interface(handle, interface);
}
int UsbCalls::release(libusb_device_handle* handle, int interface) {
  return libusb_release_interface(handle, interface);
}
int UsbCalls::submit(libusb_transfer* transfer) {
  return libusb_submit_transfer(transfer);
}
int UsbCalls::cancel(libusb_transfer* transfer) {
  return libusb_cancel_transfer(transfer);
}
int UsbCalls::clear_halt(libusb_device_handle* handle, unsigned char endpoint) {
  return libusb_clear_halt(handle, endpoint);
}
int UsbCalls::set_interface(libusb_device_handle* handle, int interface, int setting) {
  return libusb_set_interface_alt_setting(handle, interface, setting);
}
int UsbCalls::reset(libusb_device_handle* handle) {
  return libusb_reset_device(handle);
}

unsigned UsbCalls::memory_limit_mib() {
  constexpr unsigned kKernelDefault = 16;
  unsigned limit = kKernelDefault;
  std::ifstream("/sys/module/usbcore/parameters/usbfs_memory_mb") >> limit;
  return limit;
}

UsbCalls& real_usb() {
  static UsbCalls calls;
  return calls;
}

}  // namespace steadycell::link
