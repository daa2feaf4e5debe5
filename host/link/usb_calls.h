#pragma once
#include <libusb-1.0/libusb.h>

#include <string>

namespace steadycell::link {

// What this room asks of libusb, with libusb's own signatures and meanings: the seam at which tests/link/fake_usb.h takes the
// kernel's place.
class UsbCalls {
 public:
  virtual ~UsbCalls() = default;
  virtual int init(libusb_context** context);
  virtual void exit(libusb_context* context);
  virtual int handle_events(libusb_context* context, timeval* longest);
  virtual void interrupt(libusb_context* context);
  // Plugging events of boards, on the thread that handles events. NOT_SUPPORTED where libusb has no way to hear of them. unwatch() does not
  // wait for a callback that runs: only where nobody handles events is there none.
  virtual int watch(libusb_context* context, libusb_hotplug_callback_fn callback, void* user, libusb_hotplug_callback_handle* watch);
  virtual void unwatch(libusb_context* context, libusb_hotplug_callback_handle watch);
  virtual ssize_t device_list(libusb_context* context, libusb_device*** list);
  virtual void free_device_list(libusb_device** list);
  virtual int descriptor(libusb_device* device, libusb_device_descriptor* out);
  virtual int speed(libusb_device* device);
  virtual int max_packet(libusb_device* device, unsigned char endpoint);
  // "1-2.3": the bus, then the chain of ports; empty when the kernel does not tell.
  virtual std::string place(libusb_device* device);
  // Its device file, "/dev/bus/usb/001/004".
  virtual std::string node(libusb_device* device);
  // From the kernel's own notes, without a word to the device and without its permission; empty when there is none.
  virtual std::string serial(libusb_device* device);
  // What the kernel has bound to interface 0: "usbfs" while a program has claimed it; empty when nothing is.
  virtual std::string driver(libusb_device* device);
  virtual int open(libusb_device* device, libusb_device_handle** handle);
  virtual void close(libusb_device_handle* handle);
  virtual int claim(libusb_device_handle* handle, int interface);
  virtual int release(libusb_device_handle* handle, int interface);
  virtual int submit(libusb_transfer* transfer);
  virtual int cancel(libusb_transfer* transfer);
  // These three wait for the board, for seconds when it is dead.
  virtual int clear_halt(libusb_device_handle* handle, unsigned char endpoint);
  virtual int set_interface(libusb_device_handle* handle, int interface, int setting);
  virtual int reset(libusb_device_handle* handle);
  // All programs' transfers together may hold this much, in MiB; 0: no limit (usbcore's usbfs_memory_mb).
  virtual unsigned memory_limit_mib();
};

UsbCalls& real_usb();

}  // namespace steadycell::link
