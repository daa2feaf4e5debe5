"""Parameter pages for chips of any shape, for the scripts here. STEADYCELL_BIN must be set first: the checksum comes from the
end-to-end tests."""
import struct
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "end_to_end"))
from bad_command_test import onfi_crc  # noqa: E402

DATA = Path(__file__).resolve().parent.parent / "data"


def parameter_page(page, spare, pages_per_block, blocks):
    """A good ONFI page (tests/data/onfi-pages) of that geometry: byte offsets of ONFI 1.0, table 24. One LUN, one bit a cell."""
    text = (DATA / "onfi-pages/MT29F64G08AKABAC5.hex").read_text()
    made = bytearray(bytes.fromhex("".join(line for line in text.splitlines() if not line.startswith("#")))[:256])
    for at, form, value in ((80, "<I", page), (84, "<H", spare), (92, "<I", pages_per_block), (96, "<I", blocks),
                            (100, "B", 1), (101, "B", 0x23)):
        struct.pack_into(form, made, at, value)
    struct.pack_into("<H", made, 254, onfi_crc(made))
    return bytes(made)
