#!/usr/bin/env python3
"""Reads a capture folder by docs/capture.md alone, with nothing but the standard library: checks frames, checksums, chain and
the hashes of the units that are stored as they are and of the differences to them, and prints what it found.

    read_capture.py CAPTURE            print a summary as JSON
    read_capture.py CAPTURE --expect N fail unless it holds N units
    read_capture.py CAPTURE --hashed M fail unless M of them have hashes that can be checked so
"""
import argparse
import hashlib
import json
import struct
import sys
from pathlib import Path


def crc32c(data):
    """RFC 3720, appendix B.4 gives the polynomial and test vectors; the plain bit by bit form."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0x82F63B78 if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF


def record_at(journal, at):
    """The whole record at a byte; nothing when there is no good one."""
    if journal[at:at + 4] != b"SCJ1" or len(journal) < at + 24:
        return None
    whole = journal[at:at + 24 + struct.unpack_from("<I", journal, at + 4)[0]]
    good = len(whole) >= 24 and len(whole) == 24 + struct.unpack_from("<I", whole, 4)[0]
    return whole if good and struct.unpack("<I", whole[-4:])[0] == crc32c(whole[:-4]) else None


def speaks_for_the_medium(journal, start):
    """Whether a good `synced` or `closed` record stands somewhere from `start` on."""
    at = journal.find(b"SCJ1", start)
    while at >= 0:
        whole = record_at(journal, at)
        if whole and struct.unpack_from("<H", whole, 8)[0] in (3, 7):
            return True
        at = journal.find(b"SCJ1", at + 1)
    return False


def records(journal):
    at, previous = 0, "0" * 64
    while at < len(journal):
        whole = record_at(journal, at)
        payload = json.loads(whole[20:-4]) if whole else None
        if not whole or payload["previous"] != previous:
            assert not speaks_for_the_medium(journal, at), f"damage at byte {at}"
            return  # the torn end
        kind, zero, sequence = struct.unpack_from("<HHQ", whole, 8)
        assert zero == 0
        previous = hashlib.sha256(whole).hexdigest()
        yield kind, sequence, payload, previous
        at += len(whole)


def main(folder, expected=None, expected_hashed=None):
    assert crc32c(b"123456789") == 0xE3069283  # the check value every CRC-32C catalogue lists
    head = json.loads((folder / "capture.json").read_text(encoding="utf-8"))
    assert head["schema"] in ("steadycell-capture/1", "steadycell-capture/2")
    geometry = head["geometry"]
    block = (geometry["page_bytes"] + geometry["spare_bytes"]) * geometry["pages_per_block"]
    units, digest, hashed = {}, None, 0
    for kind, sequence, payload, digest in records((folder / "journal").read_bytes()):
        key = tuple(payload.get(name) for name in ("target", "lun", "block", "pass"))
        if kind == 2:
            units[key] = payload
        elif kind == 6:
            for unit in payload["units"]:
                units.pop(tuple(unit[name] for name in ("target", "lun", "block", "pass")), None)
    for key, unit in units.items():
        with open(folder / f"pass-{key[3]:04}.dat", "rb") as file:
            file.seek(unit["offset"])
            stored = file.read(unit["stored"])
        assert len(stored) == unit["stored"], f"unit {key} is cut"
        if unit["codec"] == 0:
            assert len(stored) == block and hashlib.sha256(stored).hexdigest() == unit["sha256"], f"unit {key}: hash"
            assert "crc32c" not in unit or unit["crc32c"] == crc32c(stored), f"unit {key}: CRC-32C"
            hashed += 1
        else:
            if "difference_sha256" in unit:
                pass_1 = bytes.fromhex(units[key[:3] + (1,)]["sha256"])
                assert hashlib.sha256(pass_1 + stored).hexdigest() == unit["difference_sha256"], f"unit {key}: hash of the difference"
                hashed += 1
            assert stored[:4] == bytes.fromhex("28b52ffd"), f"unit {key} is no zstd frame (RFC 8878)"
    print(json.dumps({"uuid": head["uuid"], "units": len(units), "hashed": hashed, "head": digest}))
    if expected is not None and len(units) != expected:
        sys.exit(f"{len(units)} units, expected {expected}")
    if expected_hashed is not None and hashed != expected_hashed:
        sys.exit(f"{hashed} hashes checked, expected {expected_hashed}")


if __name__ == "__main__":
    arguments = argparse.ArgumentParser()
    arguments.add_argument("capture", type=Path)
    arguments.add_argument("--expect", type=int)
    arguments.add_argument("--hashed", type=int)
    given = arguments.parse_args()
    main(given.capture, given.expect, given.hashed)
