#include <string.h>

#include "steadycell/usb.h"

#define LOW(n) (uint8_t)((n)&0xFF)
#define HIGH(n) (uint8_t)((n) >> 8)
#define U16(n) LOW(n), HIGH(n)
#define U32(n) LOW(n), LOW((n) >> 8), LOW((n) >> 16), LOW((n) >> 24)

/* bcdUSB 2.01: there is a BOS. */
#define USB_VERSION U16(0x0201)

/* clang-format off */

static const uint8_t device[18] = {
    18, SCU_DEVICE, USB_VERSION,
    0, 0, 0, /* the interfaces say the class */
    SCU_CONTROL_PACKET, U16(SCU_VENDOR), U16(SCU_PRODUCT),
    U16(0x0010), /* bcdDevice 0.10 */
    SCU_STRING_MAKER, SCU_STRING_NAME, SCU_STRING_SERIAL, 1};

static const uint8_t qualifier[10] = {10, SCU_DEVICE_QUALIFIER, USB_VERSION, 0, 0, 0, SCU_CONTROL_PACKET, 1, 0};

/* HID 1.11 section 6.2.2: three reports of 63 bytes, of a vendor's usage page. */
enum { INPUT_ITEM = 0x81, OUTPUT_ITEM = 0x91 };
#define REPORT(id, main_item) /* Report ID; Usage, numbered alike; Report Count; Data, Variable, Absolute */ \
  0x85, (id), 0x09, (id), 0x95, SCU_REPORT_BYTES - 1, (main_item), 0x02
static const uint8_t hid_report[] = {
    0x06, U16(0xFF53), /* Usage Page (vendor) */
    0x09, 0x10,        /* Usage (board) */
    0xA1, 0x01,        /* Collection (Application) */
    0x15, 0x00,        /* Logical Minimum 0 */
    0x26, U16(255),    /* Logical Maximum 255 */
    0x75, 8,           /* Report Size */
    REPORT(SCU_REPORT_HEARTBEAT, OUTPUT_ITEM),
    REPORT(SCU_REPORT_RAILS_OFF, OUTPUT_ITEM),
    REPORT(SCU_REPORT_METER, INPUT_ITEM),
    0xC0 /* End Collection */};

/* Full speed, and where high speed differs. */
enum {
  BULK_OUT_AT = 9 + 9,
  BULK_IN_AT = BULK_OUT_AT + 7,
  HID_AT = BULK_IN_AT + 7 + 9,
  HID_BYTES = 9,
  HID_IN_AT = HID_AT + HID_BYTES,
  HID_OUT_AT = HID_IN_AT + 7,
  CONFIGURATION_BYTES = HID_OUT_AT + 7,
  PACKET_IN_ENDPOINT = 4,
  INTERVAL_IN_ENDPOINT = 6,
  BULK = 2,
  INTERRUPT = 3
};
static const uint8_t configuration[CONFIGURATION_BYTES] = {
    9, SCU_CONFIGURATION_DESCRIPTOR, U16(CONFIGURATION_BYTES), 2, SCU_CONFIGURATION, 0,
    0xC0, /* self-powered: socket and patient are fed by the board's own supply; no remote wake-up */
    50,   /* 100 mA */
    9, SCU_INTERFACE, SCU_BULK_INTERFACE, 0, 2, 0xFF, 0, 0, SCU_STRING_BULK,
    7, SCU_ENDPOINT, SCU_BULK_OUT, BULK, U16(SCU_BULK_PACKET_FULL), 0,
    7, SCU_ENDPOINT, SCU_BULK_IN, BULK, U16(SCU_BULK_PACKET_FULL), 0,
    9, SCU_INTERFACE, SCU_HID_INTERFACE, 0, 2, 3, 0, 0, SCU_STRING_HID,
    HID_BYTES, SCU_HID, U16(0x0111), 0, 1, SCU_HID_REPORT, U16(sizeof hid_report),
    7, SCU_ENDPOINT, SCU_HID_IN, INTERRUPT, U16(SCU_HID_PACKET), 1, /* each millisecond */
    7, SCU_ENDPOINT, SCU_HID_OUT, INTERRUPT, U16(SCU_HID_PACKET), 1};
enum { MILLISECOND_AT_HIGH_SPEED = 4 }; /* 2^(4 - 1) microframes, USB 2.0 table 9-13 */

/* Microsoft OS 2.0 descriptors: interface 0 belongs to the system's generic driver for programs, and can be found
 * by its interface GUID (made up for this project). */
enum { MS_SET = 0, MS_CONFIGURATION = 1, MS_FUNCTION = 2, MS_COMPATIBLE_ID = 3, MS_PROPERTY = 4, MS_MULTI_SZ = 7 };
enum { NAME_CHARS = 21, GUID_CHARS = 40 }; /* with the closing zeros */
enum {
  COMPATIBLE_ID_BYTES = 20,
  PROPERTY_BYTES = 10 + 2 * NAME_CHARS + 2 * GUID_CHARS,
  FUNCTION_BYTES = 8 + COMPATIBLE_ID_BYTES + PROPERTY_BYTES,
  MS_CONFIGURATION_BYTES = 8 + FUNCTION_BYTES,
  MS_SET_BYTES = 10 + MS_CONFIGURATION_BYTES
};
#define WINDOWS_8_1 0x06030000u
static const char property_name[NAME_CHARS] = "DeviceInterfaceGUIDs";
static const char property_guid[GUID_CHARS] = "{14DDB8A9-EE56-478A-B3C0-1F955CB2B2CF}";

enum { BOS_BYTES = 5 + 7 + 28, EXTENSION = 2, PLATFORM = 5 };
static const uint8_t bos[BOS_BYTES] = {
    5, SCU_BOS, U16(BOS_BYTES), 2,
    7, SCU_DEVICE_CAPABILITY, EXTENSION, U32(0), /* no link power management */
    28, SCU_DEVICE_CAPABILITY, PLATFORM, 0,
    /* D8DD60DF-4589-4CC7-9CD2-659D9E648A9F, the Microsoft OS 2.0 platform capability */
    0xDF, 0x60, 0xDD, 0xD8, 0x89, 0x45, 0xC7, 0x4C, 0x9C, 0xD2, 0x65, 0x9D, 0x9E, 0x64, 0x8A, 0x9F,
    U32(WINDOWS_8_1), U16(MS_SET_BYTES), SCU_MS_OS_20_REQUEST, 0};

static const uint8_t ms_head[] = {
    U16(10), U16(MS_SET), U32(WINDOWS_8_1), U16(MS_SET_BYTES),
    /* The field is called a configuration value, but Windows compares it with the index: 0 (from memory). */
    U16(8), U16(MS_CONFIGURATION), 0, 0, U16(MS_CONFIGURATION_BYTES),
    U16(8), U16(MS_FUNCTION), SCU_BULK_INTERFACE, 0, U16(FUNCTION_BYTES),
    U16(COMPATIBLE_ID_BYTES), U16(MS_COMPATIBLE_ID), 'W', 'I', 'N', 'U', 'S', 'B', 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    U16(PROPERTY_BYTES), U16(MS_PROPERTY), U16(MS_MULTI_SZ), U16(2 * NAME_CHARS)};
static const uint8_t guid_length[] = {U16(2 * GUID_CHARS)};

/* clang-format on */

static size_t copy(uint8_t* out, const uint8_t* bytes, size_t n) {
  memcpy(out, bytes, n);
  return n;
}

static size_t put_utf16(uint8_t* out, const char* text, size_t chars) {
  for (size_t i = 0; i < chars; ++i) {
    out[2 * i] = (uint8_t)text[i];
    out[2 * i + 1] = 0;
  }
  return 2 * chars;
}

size_t scu_ms_os_20_set(uint8_t out[SCU_LONGEST_DESCRIPTOR]) {
  size_t n = copy(out, ms_head, sizeof ms_head);
  n += put_utf16(out + n, property_name, NAME_CHARS);
  n += copy(out + n, guid_length, sizeof guid_length);
  n += put_utf16(out + n, property_guid, GUID_CHARS);
  return n;
}

void scu_serial(char out[SCU_SERIAL_DIGITS + 1], const uint8_t uuid[16]) {
  static const char digits[] = "0123456789abcdef";
  for (size_t i = 0; i < 16; ++i) {
    out[2 * i] = digits[uuid[i] >> 4];
    out[2 * i + 1] = digits[uuid[i] & 15];
  }
  out[SCU_SERIAL_DIGITS] = '\0';
}

static size_t put_string(uint8_t* out, const char* text) {
  size_t chars = 0;  // strlen is not in a freestanding environment
  while (text[chars] != '\0') ++chars;
  out[0] = (uint8_t)(2 + 2 * chars);
  out[1] = SCU_STRING;
  return 2 + put_utf16(out + 2, text, chars);
}

static size_t string_descriptor(uint8_t* out, uint8_t index, const uint8_t uuid[16]) {
  static const uint8_t languages[] = {4, SCU_STRING, U16(0x0409)};
  char serial[SCU_SERIAL_DIGITS + 1];
  switch (index) {
    case SCU_STRING_LANGUAGES:
      return copy(out, languages, sizeof languages);
    case SCU_STRING_MAKER:
      return put_string(out, "steadycell");
    case SCU_STRING_NAME:
      return put_string(out, "steadycell fixture board");
    case SCU_STRING_SERIAL:
      scu_serial(serial, uuid);
      return put_string(out, serial);
    case SCU_STRING_BULK:
      return put_string(out, "commands, pages and samples");
    case SCU_STRING_HID:
      return put_string(out, "heartbeat, rails off and readings");
    default:
      return 0;
  }
}

static size_t put_configuration(uint8_t* out, uint8_t type, scu_speed speed) {
  memcpy(out, configuration, sizeof configuration);
  out[1] = type;
  if (speed == SCU_HIGH_SPEED) {
    static const uint8_t packet[] = {U16(SCU_BULK_PACKET_HIGH)};
    memcpy(out + BULK_OUT_AT + PACKET_IN_ENDPOINT, packet, sizeof packet);
    memcpy(out + BULK_IN_AT + PACKET_IN_ENDPOINT, packet, sizeof packet);
    out[HID_IN_AT + INTERVAL_IN_ENDPOINT] = MILLISECOND_AT_HIGH_SPEED;
    out[HID_OUT_AT + INTERVAL_IN_ENDPOINT] = MILLISECOND_AT_HIGH_SPEED;
  }
  return sizeof configuration;
}

size_t scu_descriptor(uint8_t out[SCU_LONGEST_DESCRIPTOR], uint16_t value, scu_speed speed,
                      const uint8_t uuid[16]) {
  const uint8_t type = HIGH(value), index = LOW(value);
  if (type == SCU_STRING) return string_descriptor(out, index, uuid);
  if (index != 0) return 0;
  switch (type) {
    case SCU_DEVICE:
      return copy(out, device, sizeof device);
    case SCU_DEVICE_QUALIFIER:
      return copy(out, qualifier, sizeof qualifier);
    case SCU_CONFIGURATION_DESCRIPTOR:
      return put_configuration(out, type, speed);
    case SCU_OTHER_SPEED:
      return put_configuration(out, type, speed == SCU_HIGH_SPEED ? SCU_FULL_SPEED : SCU_HIGH_SPEED);
    case SCU_BOS:
      return copy(out, bos, sizeof bos);
    case SCU_HID:
      return copy(out, configuration + HID_AT, HID_BYTES);
    case SCU_HID_REPORT:
      return copy(out, hid_report, sizeof hid_report);
    default:
      return 0;
  }
}
