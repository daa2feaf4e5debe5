/* The board as a USB device: descriptors, and the reports of its HID interface. PROTOCOL.md section 9 has the rules.
 *
 * Interface 0 carries the frames of protocol.h on one bulk endpoint each way. Interface 1 is a HID that repeats heartbeat,
 * rails-off and slow readings, so that a host whose pipe is stuck can still keep or cut the rails. Sources: USB 2.0
 * chapter 9 with its engineering change "Link Power Management" (BOS), HID 1.11, Microsoft OS 2.0 descriptors. */
#ifndef STEADYCELL_USB_H
#define STEADYCELL_USB_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* ---- Identity and layout -------------------------------------------------------------------------------------- */

enum {
  SCU_VENDOR = 0x1209,  /* pid.codes, which lends it to open hardware */
  SCU_PRODUCT = 0x0001, /* its test identity: for benches, not for boards that leave one. Others may carry it too, so a
                         * host asks HELLO before it believes. */
  SCU_BULK_INTERFACE = 0,
  SCU_HID_INTERFACE = 1,
  SCU_BULK_OUT = 0x01, /* endpoint addresses */
  SCU_BULK_IN = 0x81,
  SCU_HID_OUT = 0x02,
  SCU_HID_IN = 0x82,
  SCU_CONTROL_PACKET = 64,
  SCU_BULK_PACKET_HIGH = 512,
  SCU_BULK_PACKET_FULL = 64,
  SCU_HID_PACKET = 64,
  SCU_CONFIGURATION = 1 /* bConfigurationValue of the only one */
};

/* ---- Descriptors ---------------------------------------------------------------------------------------------- */

typedef enum scu_speed { SCU_FULL_SPEED, SCU_HIGH_SPEED } scu_speed;

/* Standard descriptor types (USB 2.0 table 9-5; BOS: its engineering change; HID 1.11 section 7.1). */
enum scu_descriptor {
  SCU_DEVICE = 1,
  SCU_CONFIGURATION_DESCRIPTOR = 2,
  SCU_STRING = 3,
  SCU_INTERFACE = 4,
  SCU_ENDPOINT = 5,
  SCU_DEVICE_QUALIFIER = 6,
  SCU_OTHER_SPEED = 7,
  SCU_BOS = 15,
  SCU_DEVICE_CAPABILITY = 16,
  SCU_HID = 0x21,
  SCU_HID_REPORT = 0x22
};

enum scu_string {
  SCU_STRING_LANGUAGES = 0,
  SCU_STRING_MAKER = 1,
  SCU_STRING_NAME = 2,
  SCU_STRING_SERIAL = 3, /* the UUID of HELLO as 32 lower-case hex digits */
  SCU_STRING_BULK = 4,
  SCU_STRING_HID = 5
};

/* Vendor request, device to host, wIndex 7: the Microsoft OS 2.0 descriptor set, as the BOS promises. */
enum { SCU_MS_OS_20_REQUEST = 0x20, SCU_MS_OS_20_INDEX = 7 };

enum { SCU_LONGEST_DESCRIPTOR = 256, SCU_SERIAL_DIGITS = 32 };

/* Writes the descriptor that GET_DESCRIPTOR asks for with this wValue (type << 8 | index), at this speed, whole: the
 * caller cuts it to wLength. Returns its bytes; 0: there is none, answer with a stall. The types of the HID class (which
 * are asked from interface 1, not from the device) are among them. */
size_t scu_descriptor(uint8_t out[SCU_LONGEST_DESCRIPTOR], uint16_t value, scu_speed speed, const uint8_t uuid[16]);
/* The Microsoft OS 2.0 descriptor set; its length is what the BOS promises. */
size_t scu_ms_os_20_set(uint8_t out[SCU_LONGEST_DESCRIPTOR]);
/* The serial of a board with this UUID, closed with a zero. */
void scu_serial(char out[SCU_SERIAL_DIGITS + 1], const uint8_t uuid[16]);

/* ---- HID reports: report ID, then 63 bytes -------------------------------------------------------------------- */

enum {
  SCU_REPORT_BYTES = 64, /* the ID included; every report has this length */
  SCU_REPORT_HEARTBEAT = 1,
  SCU_REPORT_RAILS_OFF = 2,
  SCU_REPORT_METER = 3,
  SCU_METER_INTERVAL_MS = 100 /* between two METER reports; one comes at once after RAILS_OFF */
};

enum scu_meter_flag {
  SCU_SOCKET_ON = 1,
  SCU_PORT_ON = 2,
  SCU_LID_OPEN = 4,
  SCU_WP_HIGH = 8,
  SCU_RUNNING = 16,
  SCU_TRUSTED = 32
};

/*  0  1  report ID 3
 *  1  1  flags (scu_meter_flag)
 *  2  2  socket mV
 *  4  4  sequence: +1 for each report made; a gap means that the host did not fetch in time
 *  8  8  ns of the board's clock
 * 16 16  UUID of the board
 * 32  4  boot counter
 * 36  2  port mV
 * 38  2  socket mA
 * 40  4  port uA, signed
 * 44  4  token of the last HEARTBEAT report, 0 none since boot
 * 48  4  token of the last RAILS_OFF report, 0 none since boot
 * 52 12  0 */
typedef struct scu_meter {
  uint8_t flags;
  uint8_t uuid[16];
  uint16_t socket_mv, socket_ma, port_mv;
  int32_t port_ua;
  uint32_t sequence, boot_counter, heartbeat_token, rails_off_token;
  uint64_t ns;
} scu_meter;

void scu_put_meter(uint8_t report[SCU_REPORT_BYTES], const scu_meter* meter);
/* False unless the ID is METER and all its bytes are there. */
bool scu_get_meter(const uint8_t* report, size_t n, scu_meter* meter);

/* HEARTBEAT and RAILS_OFF: the ID, then u32 token, which METER repeats, then 0. */
void scu_put_token(uint8_t report[SCU_REPORT_BYTES], uint8_t report_id, uint32_t token);
/* False unless it is one of the two with its token there; trailing bytes may be missing. */
bool scu_get_token(const uint8_t* report, size_t n, uint8_t* report_id, uint32_t* token);

#ifdef __cplusplus
}
#endif
#endif
