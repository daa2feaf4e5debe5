#include "device/usb_control.h"

#include <string.h>

/* bmRequestType: direction, kind, recipient; USB 2.0 table 9-2. */
enum {
  TO_HOST = 0x80,
  VENDOR_DEVICE_IN = 0xC0,
  HID_OUT_REQUEST = 0x21,
  HID_IN_REQUEST = 0xA1,
  TO_DEVICE = 0x00,
  TO_INTERFACE = 0x01,
  TO_ENDPOINT = 0x02
};
/* bRequest; table 9-4. */
enum {
  GET_STATUS = 0,
  CLEAR_FEATURE = 1,
  SET_FEATURE = 3,
  SET_ADDRESS = 5,
  GET_DESCRIPTOR = 6,
  GET_CONFIGURATION = 8,
  SET_CONFIGURATION = 9,
  GET_INTERFACE = 10,
  SET_INTERFACE = 11
};
enum { ENDPOINT_HALT = 0, SELF_POWERED = 1, LAST_ADDRESS = 127 };
/* HID 1.11 section 7.2. */
enum { GET_REPORT = 1, GET_IDLE = 2, SET_REPORT = 9, SET_IDLE = 10, INPUT_REPORT = 1, OUTPUT_REPORT = 2 };

typedef struct request {
  uint8_t type, code;
  uint16_t value, index, length;
} request;

static const uint8_t addresses[] = {SCU_BULK_OUT, SCU_BULK_IN, SCU_HID_OUT, SCU_HID_IN};
enum { ENDPOINTS = sizeof addresses, PER_INTERFACE = 2 }; /* those of one interface lie together */

static int slot_of(uint16_t endpoint) {
  for (int i = 0; i < ENDPOINTS; ++i)
    if (addresses[i] == endpoint) return i;
  return -1;
}

static void start_endpoints(sc_usb* usb, int first, int count) {
  for (int i = first; i < first + count; ++i) {
    usb->halted[i] = false;
    usb->endpoint_reset(usb->self, addresses[i]);
  }
}

void sc_usb_bus_reset(sc_usb* usb, scu_speed speed) {
  usb->speed = speed;
  usb->configuration = usb->address = usb->idle = 0;
  start_endpoints(usb, 0, ENDPOINTS);
  sc_core_pipe_reset(usb->core);
}

bool sc_usb_has(const sc_usb* usb, uint8_t endpoint) {
  return usb->configuration != 0 && slot_of(endpoint) >= 0;
}

bool sc_usb_halt(sc_usb* usb, uint8_t endpoint) {
  if (!sc_usb_has(usb, endpoint)) return false;
  usb->halted[slot_of(endpoint)] = true;
  return true;
}

bool sc_usb_is_halted(const sc_usb* usb, uint8_t endpoint) {
  return sc_usb_has(usb, endpoint) && usb->halted[slot_of(endpoint)];
}

static int give(const request* r, uint8_t* in, uint16_t value, int bytes) {
  in[0] = (uint8_t)(value & 0xFF);
  in[1] = (uint8_t)(value >> 8);
  return r->length < bytes ? r->length : bytes;
}

static int give_cut(const request* r, size_t bytes) {
  if (bytes == 0) return SC_USB_STALL;
  return r->length < bytes ? r->length : (int)bytes;
}

static int to_device(sc_usb* usb, const request* r, uint8_t* in) {
  switch (r->code) {
    case GET_STATUS:
      return give(r, in, SELF_POWERED, 2);
    case GET_CONFIGURATION:
      return give(r, in, usb->configuration, 1);
    case GET_DESCRIPTOR:
      if (r->value >> 8 == SCU_HID || r->value >> 8 == SCU_HID_REPORT) return SC_USB_STALL; /* of the interface */
      return give_cut(r, scu_descriptor(in, r->value, usb->speed, usb->core->identity.uuid));
    default:
      return SC_USB_STALL;
  }
}

static int set_device(sc_usb* usb, const request* r) {
  if (r->code == SET_ADDRESS && r->value <= LAST_ADDRESS) {
    usb->address = (uint8_t)r->value;
    return 0;
  }
  if (r->code != SET_CONFIGURATION || (r->value != 0 && r->value != SCU_CONFIGURATION)) return SC_USB_STALL;
  usb->configuration = (uint8_t)r->value;
  start_endpoints(usb, 0, ENDPOINTS);
  sc_core_pipe_reset(usb->core);
  return 0;
}

static int of_interface(sc_usb* usb, const request* r, uint8_t* in) {
  const uint8_t type = (uint8_t)(r->value >> 8);
  if (r->code == GET_DESCRIPTOR) { /* also before it is configured: descriptors can be read in any state */
    if (r->index != SCU_HID_INTERFACE || (type != SCU_HID && type != SCU_HID_REPORT)) return SC_USB_STALL;
    return give_cut(r, scu_descriptor(in, r->value, usb->speed, usb->core->identity.uuid));
  }
  if (usb->configuration == 0 || r->index > SCU_HID_INTERFACE) return SC_USB_STALL;
  switch (r->code) {
    case GET_STATUS:
      return give(r, in, 0, 2);
    case GET_INTERFACE:
      return give(r, in, 0, 1);
    case SET_INTERFACE: /* the only setting; its endpoints start anew all the same (section 9.1.1.5) */
      if (r->value != 0) return SC_USB_STALL;
      start_endpoints(usb, r->index * PER_INTERFACE, PER_INTERFACE);
      return 0;
    default:
      return SC_USB_STALL;
  }
}

static int of_endpoint(sc_usb* usb, const request* r, uint8_t* in) {
  const bool control = r->index == 0 || r->index == TO_HOST;
  const int slot = slot_of(r->index);
  if (!control && (usb->configuration == 0 || slot < 0)) return SC_USB_STALL;
  if (r->code == GET_STATUS) return give(r, in, !control && usb->halted[slot], 2);
  if (r->value != ENDPOINT_HALT || (r->code != CLEAR_FEATURE && r->code != SET_FEATURE)) return SC_USB_STALL;
  if (control) return 0; /* never halted: the next setup ends any stall */
  if (r->code == SET_FEATURE)
    usb->halted[slot] = true;
  else
    start_endpoints(usb, slot, 1); /* the toggle, whether it was halted or not (section 9.4.5) */
  return 0;
}

static int of_hid(sc_usb* usb, const request* r, const uint8_t* data, uint8_t* in) {
  const uint8_t id = (uint8_t)(r->value & 0xFF), type = (uint8_t)(r->value >> 8);
  if (usb->configuration == 0 || r->index != SCU_HID_INTERFACE) return SC_USB_STALL;
  if (r->type == HID_IN_REQUEST) {
    if (r->code == GET_IDLE) return give(r, in, usb->idle, 1);
    if (r->code != GET_REPORT || type != INPUT_REPORT || id != SCU_REPORT_METER) return SC_USB_STALL;
    sc_core_hid_now(usb->core, in);
    return give_cut(r, SCU_REPORT_BYTES);
  }
  if (r->code == SET_IDLE) {
    usb->idle = type; /* the duration stands in the high byte */
    return 0;
  }
  const bool good = r->code == SET_REPORT && type == OUTPUT_REPORT && r->length > 0 && data[0] == id &&
                    sc_core_hid_report(usb->core, data, r->length);
  return good ? 0 : SC_USB_STALL;
}

static bool asks(uint8_t standard_code) {
  return standard_code == GET_STATUS || standard_code == GET_DESCRIPTOR || standard_code == GET_CONFIGURATION ||
         standard_code == GET_INTERFACE;
}

int sc_usb_control(sc_usb* usb, const uint8_t setup[8], const uint8_t* data, uint8_t in[SCU_LONGEST_DESCRIPTOR]) {
  const request r = {setup[0], setup[1], scp_get_u16(setup + 2), scp_get_u16(setup + 4), scp_get_u16(setup + 6)};
  const bool standard = (r.type & 0x60) == 0;
  if (standard && asks(r.code) != ((r.type & TO_HOST) != 0)) return SC_USB_STALL;
  switch (r.type) {
    case TO_HOST | TO_DEVICE:
      return to_device(usb, &r, in);
    case TO_DEVICE:
      return set_device(usb, &r);
    case TO_HOST | TO_INTERFACE:
    case TO_INTERFACE:
      return of_interface(usb, &r, in);
    case TO_HOST | TO_ENDPOINT:
    case TO_ENDPOINT:
      return of_endpoint(usb, &r, in);
    case HID_IN_REQUEST:
    case HID_OUT_REQUEST:
      return of_hid(usb, &r, data, in);
    case VENDOR_DEVICE_IN:
      if (r.code != SCU_MS_OS_20_REQUEST || r.index != SCU_MS_OS_20_INDEX) return SC_USB_STALL;
      return give_cut(&r, scu_ms_os_20_set(in));
    default:
      return SC_USB_STALL;
  }
}
