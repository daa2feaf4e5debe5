#!/usr/bin/env python3
"""Encodes every USB descriptor and one HID report of each kind, from the tables of the standards and PROTOCOL.md alone, with
nothing of the C code: USB 2.0 chapter 9 (tables 9-8 to 9-16), its engineering change "Link Power Management" (BOS and USB 2.0
extension), HID 1.11 (sections 6.2.1, 6.2.2, 7.1), Microsoft OS 2.0 Descriptors Specification (tables 3, 4, 10 to 15; from memory).

    make_usb_vectors.py DIR           writes DIR/<name>.hex
    make_usb_vectors.py --check DIR   fails when a file there differs from what it would write
"""
import struct
import sys
import uuid

from make_vectors import UUID, keep

DEVICE, CONFIGURATION, STRING, INTERFACE, ENDPOINT, QUALIFIER, OTHER_SPEED, BOS, CAPABILITY = 1, 2, 3, 4, 5, 6, 7, 15, 16
HID, REPORT = 0x21, 0x22
BULK, INTERRUPT = 2, 3


def described(kind, body):
    return bytes([len(body) + 2, kind]) + body


def item(tag, kind, value=0, size=1):
    """Short item (HID 1.11 section 6.2.2.2); kind 0 main, 1 global, 2 local; size 0, 1 or 2 bytes of value."""
    return bytes([tag << 4 | kind << 2 | size]) + value.to_bytes(size, "little")


def report_descriptor():
    """Bytes of 0..255, 63 of them behind each report ID; the outputs are 1 and 2, the input is 3."""
    usage_page, logical_minimum, logical_maximum, report_size, report_id, report_count = 0, 1, 2, 7, 8, 9
    out = item(usage_page, 1, 0xFF53, 2) + item(0, 2, 0x10) + item(0xA, 0, 1)  # Usage; Collection (Application)
    # 255 as one byte would be -1: logical extents are signed (section 6.2.2.7).
    out += item(logical_minimum, 1, 0) + item(logical_maximum, 1, 255, 2) + item(report_size, 1, 8)
    for number, main in ((1, 9), (2, 9), (3, 8)):  # 9 Output, 8 Input
        out += item(report_id, 1, number) + item(0, 2, number) + item(report_count, 1, 63) + item(main, 0, 2)
    return out + item(0xC, 0, size=0)


def interface(number, cls, endpoints, string, extra=b""):
    return described(INTERFACE, bytes([number, 0, len(endpoints), cls, 0, 0, string])) + extra + b"".join(endpoints)


def endpoint(address, kind, packet, interval):
    return described(ENDPOINT, struct.pack("<BBHB", address, kind, packet, interval))


def configuration(kind, high):
    bulk = 512 if high else 64
    each_ms = 4 if high else 1  # 2^(4-1) microframes; frames at full speed
    body = interface(0, 0xFF, [endpoint(0x01, BULK, bulk, 0), endpoint(0x81, BULK, bulk, 0)], 4)
    hid = described(HID, struct.pack("<HBBBH", 0x0111, 0, 1, REPORT, len(report_descriptor())))
    body += interface(1, 3, [endpoint(0x82, INTERRUPT, 64, each_ms), endpoint(0x02, INTERRUPT, 64, each_ms)], 5, hid)
    return described(kind, struct.pack("<HBBBBB", 9 + len(body), 2, 1, 0, 0xC0, 50)) + body


def ms_block(kind, body):
    return struct.pack("<HH", len(body) + 4, kind) + body


def ms_os_20_set():
    def text(words):
        return (words + "\0").encode("utf-16-le")
    name = text("DeviceInterfaceGUIDs")
    data = text("{14DDB8A9-EE56-478A-B3C0-1F955CB2B2CF}\0")
    features = ms_block(3, b"WINUSB\0\0" + bytes(8))
    features += ms_block(4, struct.pack("<HH", 7, len(name)) + name + struct.pack("<H", len(data)) + data)
    function = struct.pack("<HHBBH", 8, 2, 0, 0, 8 + len(features)) + features
    configured = struct.pack("<HHBBH", 8, 1, 0, 0, 8 + len(function)) + function
    return struct.pack("<HHIH", 10, 0, 0x06030000, 10 + len(configured)) + configured


def bos():
    extension = described(CAPABILITY, bytes([2]) + bytes(4))
    platform = described(CAPABILITY, bytes([5, 0]) + uuid.UUID("d8dd60df-4589-4cc7-9cd2-659d9e648a9f").bytes_le
                         + struct.pack("<IHBB", 0x06030000, len(ms_os_20_set()), 0x20, 0))
    return described(BOS, struct.pack("<HB", 5 + len(extension + platform), 2)) + extension + platform


def string(text):
    return described(STRING, text.encode("utf-16-le"))


def report(number, body):
    return (bytes([number]) + body).ljust(64, b"\0")


METER = struct.pack("<BHIQ16sIHHiII", 1 | 8 | 32, 3301, 77, 12500000000, UUID, 7, 4987, 12, -250, 0xA1B2C3D4, 5)

VECTORS = [
    ("device", "device descriptor",
     described(DEVICE, struct.pack("<HBBBBHHHBBBB", 0x0201, 0, 0, 0, 64, 0x1209, 0x0001, 0x0010, 1, 2, 3, 1))),
    ("device_qualifier", "device qualifier", described(QUALIFIER, struct.pack("<HBBBBBB", 0x0201, 0, 0, 0, 64, 1, 0))),
    ("configuration_high", "configuration at high speed", configuration(CONFIGURATION, True)),
    ("configuration_full", "configuration at full speed", configuration(CONFIGURATION, False)),
    ("other_speed_of_high", "other speed configuration, asked at high speed", configuration(OTHER_SPEED, False)),
    ("other_speed_of_full", "other speed configuration, asked at full speed", configuration(OTHER_SPEED, True)),
    ("bos", "binary object store", bos()),
    ("ms_os_20_set", "Microsoft OS 2.0 descriptor set", ms_os_20_set()),
    ("hid_report", "report descriptor of interface 1", report_descriptor()),
    ("string_0", "languages: English (United States)", described(STRING, b"\x09\x04")),
    ("string_1", "maker", string("steadycell")),
    ("string_2", "name", string("steadycell fixture board")),
    ("string_3", "serial of the board 01234567-89ab-4def-8123-456789abcdef", string(UUID.hex())),
    ("string_4", "interface 0", string("commands, pages and samples")),
    ("string_5", "interface 1", string("heartbeat, rails off and readings")),
    ("report_heartbeat", "report 1, heartbeat with token a1b2c3d4", report(1, struct.pack("<I", 0xA1B2C3D4))),
    ("report_rails_off", "report 2, rails off with token 00000005", report(2, struct.pack("<I", 5))),
    ("report_meter",
     "report 3: socket 3301 mV on at 12 mA, WP# high, trusted, port 4987 mV, -250 uA, boot 7, number 77 at 12.5 s",
     report(3, METER)),
]


if __name__ == "__main__":
    sys.exit(keep(VECTORS))
