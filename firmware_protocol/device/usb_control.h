/* Endpoint 0 of a board with USB: the standard requests of USB 2.0 chapter 9, the class requests of HID 1.11 and
 * the vendor request of Microsoft OS 2.0, between a USB controller's driver and the device core. The driver has
 * done what only it can: bus reset, the electrical test modes, taking a new address behind the status stage. */
#ifndef STEADYCELL_DEVICE_USB_CONTROL_H
#define STEADYCELL_DEVICE_USB_CONTROL_H

#include "device/core.h"

#ifdef __cplusplus
extern "C" {
#endif

typedef struct sc_usb {
  sc_core* core;
  scu_speed speed;
  uint8_t configuration; /* 0: none yet */
  uint8_t address;       /* what SET_ADDRESS asked for */
  uint8_t idle;          /* of HID, in 4 ms */
  bool halted[4];        /* bulk OUT, bulk IN, HID OUT, HID IN */

  /* The driver. An endpoint starts anew: no stall, data toggle DATA0, what the controller holds for it dropped. */
  void* self;
  void (*endpoint_reset)(void* self, uint8_t address);
} sc_usb;

/* After a bus reset: not configured, nothing halted. `core`, `self` and `endpoint_reset` are the caller's to set
 * once. */
void sc_usb_bus_reset(sc_usb* usb, scu_speed speed);

enum { SC_USB_STALL = -1 };
/* One control transfer: its 8 setup bytes, and what the host sent when it is OUT (wLength bytes). Returns how many
 * bytes of `in` go to the host (at most wLength; 0: only the status stage), or SC_USB_STALL. */
int sc_usb_control(sc_usb* usb, const uint8_t setup[8], const uint8_t* data, uint8_t in[SCU_LONGEST_DESCRIPTOR]);

/* The endpoint answers with a stall, until the host clears it. False: there is no such endpoint now. */
bool sc_usb_halt(sc_usb* usb, uint8_t endpoint);
bool sc_usb_is_halted(const sc_usb* usb, uint8_t endpoint);
/* The endpoint is there: the device is configured. */
bool sc_usb_has(const sc_usb* usb, uint8_t endpoint);

#ifdef __cplusplus
}
#endif
#endif
