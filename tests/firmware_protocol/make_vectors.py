#!/usr/bin/env python3
"""Encodes one frame of every type, from PROTOCOL.md alone and with nothing of the C codec: struct, and CRC-32C bit by bit.

    make_vectors.py DIR           writes DIR/<name>.hex
    make_vectors.py --check DIR   fails when a file there differs from what it would write

The frames are frozen: a change here is a change of the wire.
"""
import pathlib
import struct
import sys

VERSION = 1
COMMAND, PAGE, SUPPLY = 0, 1, 2


def crc32c(data):
    """RFC 3720 section 12.1, appendix B.4."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0x82F63B78 if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF


assert crc32c(b"123456789") == 0xE3069283
assert crc32c(bytes(32)) == 0x8A9136AA
assert crc32c(b"\xff" * 32) == 0x62A8AB43
assert crc32c(bytes(range(32))) == 0x46DD794E


def frame(channel, kind, sequence, request, payload):
    header = b"SdC1" + struct.pack("<BBHIII", VERSION, channel, kind, sequence, request, len(payload))
    return header + struct.pack("<I", crc32c(header)) + payload + struct.pack("<I", crc32c(payload))


def ok(rest=b""):
    return struct.pack("<HH", 0, 0) + rest


UUID = bytes.fromhex("0123456789ab4def8123456789abcdef")
READ_PAGE = (
    b"\x01\x00" + b"\x02\x00" * 2 + b"\x03" + b"\x01\x30" + b"\x04" + struct.pack("<I", 5000) + b"\x06" + struct.pack("<I", 2112)
)

FRAMES = [
    ("hello_request", "HELLO, versions 1 to 1", COMMAND, 0x0001, 0, 1, struct.pack("<BBH", 1, 1, 0)),
    ("hello_answer", "answer to HELLO: version 1, 4 targets, boot 7, firmware 0.1.0, all abilities, 10 kS/s and 250 kS/s",
     COMMAND, 0x8001, 0, 1,
     ok(struct.pack("<BBH16sIIIIII28s", 1, 4, 0, UUID, 7, 0x000100, 15, 131072, 100000, 4000, b"invented board"))),
    ("hello_refused", "answer to HELLO: version mismatch, this board speaks 1 to 1", COMMAND, 0x8001, 0, 1,
     struct.pack("<HH", 11, 0x0101)),
    ("heartbeat_request", "HEARTBEAT", COMMAND, 0x0002, 1, 2, b""),
    ("heartbeat_answer", "answer to HEARTBEAT", COMMAND, 0x8002, 1, 2, ok()),
    ("abort_request", "ABORT, nonce 0123456789abcdef", COMMAND, 0x0003, 2, 3, struct.pack("<Q", 0x0123456789ABCDEF)),
    ("abort_answer", "answer to ABORT, nonce 0123456789abcdef", COMMAND, 0x8003, 2, 3, ok(struct.pack("<Q", 0x0123456789ABCDEF))),
    ("board_state_request", "BOARD_STATE", COMMAND, 0x0004, 3, 4, b""),
    ("board_state_answer", "answer to BOARD_STATE: socket 3301 mV on, port off, -12 uA, R/B# high, trusted, 2 consents, 3 bad frames",
     COMMAND, 0x8004, 3, 4, ok(struct.pack("<HHi8BIIII", 3301, 17, -12, 1, 0, 0, 0, 1, 0, 1, 0, 2, 3, 5, 1))),
    ("socket_on_probe", "SOCKET_ON, 1800 mV, limit 50 mA, ground PROBE", COMMAND, 0x0010, 4, 5,
     struct.pack("<HHBBB", 1800, 50, 0, 0, 0)),
    ("socket_on_answered", "SOCKET_ON, 3300 mV, limit 100 mA, ground CHIP_ANSWER, ID EC DC 10 95 54", COMMAND, 0x0010, 5, 6,
     struct.pack("<HHBBB", 3300, 100, 1, 0, 5) + bytes.fromhex("ecdc109554")),
    ("socket_on_answer", "answer to SOCKET_ON: 3287 mV measured", COMMAND, 0x8010, 5, 6, ok(struct.pack("<H", 3287))),
    ("socket_on_refused", "answer to SOCKET_ON: current limit at 103 mA, 212 mV", COMMAND, 0x8010, 5, 6,
     struct.pack("<HHH", 8, 103, 212)),
    ("socket_off_request", "SOCKET_OFF", COMMAND, 0x0011, 6, 7, b""),
    ("socket_off_answer", "answer to SOCKET_OFF: 42 mV left", COMMAND, 0x8011, 6, 7, ok(struct.pack("<H", 42))),
    ("socket_trust_request", "SOCKET_TRUST, ID 2C A1", COMMAND, 0x0012, 7, 8, b"\x02\x2c\xa1"),
    ("socket_trust_answer", "answer to SOCKET_TRUST", COMMAND, 0x8012, 7, 8, ok()),
    ("bus_setup_request", "BUS_SETUP, mode 4, 8 bits, large page, 2 column and 3 row cycles", COMMAND, 0x0020, 8, 9,
     struct.pack("<6BH", 4, 8, 0, 2, 3, 0, 0)),
    ("bus_setup_answer", "answer to BUS_SETUP", COMMAND, 0x8020, 8, 9, ok()),
    ("program_load_request", "PROGRAM_LOAD, slot 1: 00h, column 0, row, 30h, wait R/B# 5 ms, read 2112", COMMAND, 0x0021, 9, 10,
     struct.pack("<BBH", 1, 0, len(READ_PAGE)) + READ_PAGE),
    ("program_load_answer", "answer to PROGRAM_LOAD", COMMAND, 0x8021, 9, 10, ok()),
    ("program_load_refused", "answer to PROGRAM_LOAD: operation 3 is no allowed sequence", COMMAND, 0x8021, 9, 10,
     struct.pack("<HH", 3, 3)),
    ("program_run_request", "PROGRAM_RUN, slot 1, target 0, pass 3, rows 128..191 and 256..319", COMMAND, 0x0022, 10, 11,
     struct.pack("<BBHIIIII", 1, 0, 0, 3, 128, 64, 128, 2)),
    ("program_run_answer", "answer to PROGRAM_RUN", COMMAND, 0x8022, 10, 11, ok()),
    ("contact_measure_request", "CONTACT_MEASURE, positions 12 and 13", COMMAND, 0x0030, 11, 12, b"\x0c\x02"),
    ("contact_measure_answer", "answer to CONTACT_MEASURE: 12 at 612 and -588 mV, bridged with 13; 13 open", COMMAND, 0x8030, 11, 12,
     ok(b"\x0c\x02" + struct.pack("<hhBhhB", 612, -588, 13, 1500, -1500, 12))),
    ("port_on_request", "PORT_ON, 5000 mV, limit 500 mA, ramp 10 ms, keep when the host is silent", COMMAND, 0x0040, 12, 13,
     struct.pack("<HHHBB", 5000, 500, 10, 2, 0)),
    ("port_on_answer", "answer to PORT_ON: 4987 mV at ramp end", COMMAND, 0x8040, 12, 13, ok(struct.pack("<H", 4987))),
    ("port_off_request", "PORT_OFF", COMMAND, 0x0041, 13, 14, b""),
    ("port_off_answer", "answer to PORT_OFF: 8 mV left", COMMAND, 0x8041, 13, 14, ok(struct.pack("<H", 8))),
    ("supply_start_request", "SUPPLY_START, port, burst 60 ms, averaged every 100 us, burst every 5 us", COMMAND, 0x0042, 14, 15,
     struct.pack("<BBHII", 1, 0, 60, 100000, 5000)),
    ("supply_start_answer", "answer to SUPPLY_START", COMMAND, 0x8042, 14, 15, ok()),
    ("supply_stop_request", "SUPPLY_STOP", COMMAND, 0x0043, 15, 16, b""),
    ("supply_stop_answer", "answer to SUPPLY_STOP: 9 samples dropped", COMMAND, 0x8043, 15, 16, ok(struct.pack("<I", 9))),
    ("port_measure_request", "PORT_MEASURE, D+, -100 uA, at most 1500 mV, early 1000 us, settle 20 ms", COMMAND, 0x0044, 17, 18,
     struct.pack("<BBhHHH", 1, 0, -100, 1500, 1000, 20)),
    ("port_measure_answer", "answer to PORT_MEASURE: -612.345 mV at -100.000 uA after 1003 us, -630.001 mV at the end", COMMAND, 0x8044, 17, 18,
     ok(struct.pack("<Iiiii", 1003, -612345, -100000, -630001, -99998))),
    ("unknown_type_answer", "answer to type 0055: unknown", COMMAND, 0x8055, 16, 17, struct.pack("<HH", 2, 0)),
    ("page_data", "PAGE_DATA, target 0, pass 3, row 0x80, busy 24900 ns, 16 bytes", PAGE, 0x0100, 0, 11,
     struct.pack("<BBBBIIII", 0, 0, 0, 0, 3, 0x80, 24900, 16) + bytes(range(0xA0, 0xB0))),
    ("page_data_timeout", "PAGE_DATA, target 1, R/B# did not rise within 5 ms, WP# high, no bytes", PAGE, 0x0100, 1, 11,
     struct.pack("<BBBBIIII", 1, 1, 1, 0, 3, 0x81, 5000000, 0)),
    ("run_end", "RUN_END, rail lost after 100 of 128 iterations", PAGE, 0x0101, 2, 11, struct.pack("<HHII", 14, 0, 100, 128)),
    ("samples", "SAMPLES, port, averaged, 2 samples from 1.5 s on, 3 dropped before", SUPPLY, 0x0200, 0, 15,
     struct.pack("<BBHQII", 1, 0, 2, 1500000000, 100000, 3) + struct.pack("<ihhhHH", -250, 4991, 3302, -1, 0, 0)
     + struct.pack("<ihhhHH", 649800, 4870, 3299, 1205, 1, 0)),
    ("event", "EVENT, the heartbeat cut the socket rail at 12.5 s", COMMAND, 0x0300, 17, 0, struct.pack("<HHQ", 1, 0, 12500000000)),
]


def text_of(comment, data):
    rows = [data[at:at + 16].hex(" ") for at in range(0, len(data), 16)]
    return f"# {comment}\n" + "\n".join(rows) + "\n"


def keep(vectors):
    """Writes or checks DIR/<name>.hex for each (name, comment, bytes); returns the exit code."""
    check = sys.argv[1:2] == ["--check"]
    folder = pathlib.Path(sys.argv[-1])
    wrong = 0
    for name, comment, data in vectors:
        text = text_of(comment, data)
        path = folder / f"{name}.hex"
        if not check:
            path.write_text(text)
        elif not path.exists() or path.read_text() != text:
            print(f"{path} does not hold the bytes that this script encodes", file=sys.stderr)
            wrong += 1
    known = {f"{row[0]}.hex" for row in vectors}
    for path in folder.glob("*.hex"):
        if path.name not in known:
            print(f"{path} is not known to this script", file=sys.stderr)
            wrong += 1
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(keep([(row[0], row[1], frame(*row[2:])) for row in FRAMES]))
