"""Wrong commands, wrong fixtures, hostile parameter pages: what a person can type or hand over wrongly."""
import json
import struct

import bench
from bench import CONSENT, DATA, SMALL


class Typed(bench.BenchTest):
    def test_refused_with_a_reason(self):
        board = self.fixture()
        read = ("chip", "read", "--board", board, *CONSENT)
        for arguments, word in [
            ((), "command"),
            (("chip",), "command"),
            (("chip", "erase"), "erase"),
            (("chip", "identify"), "--board"),
            (("chip", "identify", "--board", board, "--sparkle"), "--sparkle"),
            (("chip", "identify", "--bord", board), "--bord"),  # not that --board is missing
            ((*read, "--passes", "2", "--in-to", "c"), "--in-to"),
            (("chip", "identify", "--board", "pigeon:7"), "pigeon"),
            (("chip", "identify", "--board", "tcp:127.0.0.1:99999"), "99999"),
            (("chip", "identify", "--board", board, "--supply-mV", "5000"), "5000"),
            (("chip", "identify", "--board", board, "--supply-mV", "2500"), "2500"),
            ((*read, "--into", "c"), "--passes"),
            ((*read, "--passes", "2"), "--into"),
            ((*read, "--passes", "0", "--into", "c"), "passes"),
            ((*read, "--passes", "-1", "--into", "c"), "passes"),
            ((*read, "--passes", "two", "--into", "c"), "two"),
            ((*read, "--passes", "2", "--into", "c", "--blocks", "3-1"), "3-1"),
            ((*read, "--passes", "2", "--into", "c", "--blocks", "a-b"), "a-b"),
            ((*read, "--passes", "2", "--into", "c", "--blocks", "0-99999999999999999999"), "99999999999999999999"),
            (("chip", "decode"), "--id"),
            (("chip", "decode", "--id", "EC D"), "EC D"),
            (("chip", "decode", "--id", "hello"), "hello"),
            (("capture", "settle", "c"), "--image"),
            (("image", "export", "i", "--what", "everything", "--to", "x"), "everything"),
            (("image", "show"), "IMAGE"),
        ]:
            with self.subTest(arguments=arguments):
                found = self.refuse("e101", 2, *arguments)
                self.assertIn(word, self.said(found))
        self.assertEqual([path.name for path in self.folder.iterdir()], ["fixture.json"], "nothing was made")

    def test_a_value_that_the_service_refuses_is_told_by_its_option(self):
        for option in ("--board-number", "--controller", "--patient"):
            found = self.refuse("e101", 2, "supply", "record", "--board", self.fixture(), "--to", "t.csv", option, "x" * 5000)
            self.assertTrue(found["what"].startswith(option + " has 5000 bytes"), found["what"])

    def test_said_to_a_person(self):
        for arguments in (("chip", "identify"), ("chip", "identify", "--board"), ("chip", "decode")):
            done = self.run_it(*arguments)
            self.assertEqual((done.code, done.out), (2, b""))
            self.assertTrue(done.err.startswith("e101 "), done.err)
            self.assertEqual(done.err.count("\n"), 1, done.err)

    def test_json_and_bytes_do_not_share_standard_output(self):
        self.refuse("e101", 2, "image", "export", "image", "--what", "raw", "--to", "-")

    def test_unknown_id_is_told_as_unknown(self):
        self.refuse("e404", 7, "chip", "decode", "--id", "EC 02")

    def test_control_bytes_do_not_reach_the_terminal(self):
        for arguments in (("chip", "decode", "--id", "\x1b[2J"), ("image", "show", "\x1b[2Jimage"), ("chip", "\x1b[2J")):
            with self.subTest(arguments=arguments):
                done = self.run_it(*arguments)
                self.assertEqual(done.code, 2)
                self.assertNotIn("\x1b", done.err)


class WrongFixture(bench.BenchTest):
    def refused(self, name):
        found = self.refuse("e102", 2, "chip", "identify", "--board", f"sim:{name}", *CONSENT)
        return self.said(found)

    def test_unknown_key(self):
        self.fixture(sparkle=1)
        self.assertIn("sparkle", self.refused("fixture.json"))

    def test_not_json(self):
        (self.folder / "fixture.json").write_text("{ broken")
        self.assertIn("fixture.json", self.refused("fixture.json"))

    def test_content_that_is_not_there(self):
        self.fixture(target=SMALL | {"content": "nowhere.raw"})
        found = self.refuse("e505", 2, "chip", "identify", "--board", "sim:fixture.json", *CONSENT)
        self.assertIn("nowhere.raw", found["what"])

    def test_geometry_of_no_sense(self):
        self.fixture(target=SMALL | {"geometry": SMALL["geometry"] | {"blocks": 0}})
        self.assertIn("blocks", self.refused("fixture.json"))

    def test_missing_fixture(self):
        done = self.run_it("chip", "identify", "--board", "sim:nowhere.json", *CONSENT, "--json")
        self.assertEqual(done.code, 2)
        self.assertIn("nowhere.json", self.said(self.only_object(done)["error"]))


def onfi_crc(page):
    """ONFI 1.0, section 5.4.1.36: polynomial 8005h, start 4F4Eh, over bytes 0 to 253."""
    crc = 0x4F4E
    for byte in page[:254]:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x8005 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


class HostileParameterPage(bench.BenchTest):
    """ONFI pages made of a good one (tests/data/onfi-pages), each with one lie and a checksum that fits."""

    def setUp(self):
        super().setUp()
        text = (DATA / "onfi-pages/H27U2G8F2CTR-BC.hex").read_text()
        self.good = bytes.fromhex("".join(line for line in text.splitlines() if not line.startswith("#")))[:256]

    def changed(self, at, form, *values):
        page = bytearray(self.good)
        struct.pack_into(form, page, at, *values)
        struct.pack_into("<H", page, 254, onfi_crc(page))
        return bytes(page)

    def decode(self, page):
        (self.folder / "page.bin").write_bytes(page)
        return ("chip", "decode", "--parameter-page", "page.bin")

    def test_the_checksum_here_is_the_standards(self):
        self.assertEqual(self.good[254:], struct.pack("<H", onfi_crc(self.good)))

    def test_F36_values_that_no_chip_has(self):
        for name, at, form, value in [("page of 0 bytes", 80, "<I", 0), ("page of 2 GiB", 80, "<I", 1 << 31),
                                      ("spare of 64 KiB", 84, "<H", 0xFFFF), ("no pages in a block", 92, "<I", 0),
                                      ("2^32 - 1 pages in a block", 92, "<I", 0xFFFFFFFF), ("no blocks", 96, "<I", 0),
                                      ("2^32 - 1 blocks", 96, "<I", 0xFFFFFFFF), ("no LUN", 100, "B", 0), ("255 LUNs", 100, "B", 255)]:
            with self.subTest(name):
                self.refuse("e403", 7, *self.decode(self.changed(at, form, value) * 3))

    def test_F36_no_copy_whole_and_no_majority(self):
        copies = bytearray(self.good * 2)
        copies[80] ^= 8
        copies[256 + 92] ^= 1
        self.refuse("e403", 7, *self.decode(copies))

    def test_majority_of_damaged_copies(self):
        copies = bytearray(self.good * 3)
        for at, bit in ((80, 3), (256 + 92, 0), (512 + 101, 7)):  # one flip in each copy
            copies[at] ^= 1 << bit
        found = self.succeed(*self.decode(copies))
        self.assertEqual((found["page_bytes"], found["pages_per_block"], found["blocks"]), (2048, 64, 2048))

    def test_F36_whole_copies_that_disagree(self):
        done = self.run_it(*self.decode(self.changed(96, "<I", 4096) + self.good + self.good), "--json")
        if done.code == 0:
            self.assertTrue(self.only_object(done)["notes"], "a disagreement is told")
        else:
            self.assertEqual((done.code, done.json["error"]["code"]), (7, "e403"))

    def test_no_parameter_page_at_all(self):
        for name, page in (("empty", b""), ("short", self.good[:255]), ("erased", b"\xff" * 768), ("zeros", bytes(768)),
                           ("text", b"not a parameter page\n" * 40)):
            with self.subTest(name):
                found = self.refuse("e403", 7, *self.decode(page))
                self.assertEqual(found["where"], "page.bin")
                self.assertNotIn("contacts", found["next"], "a file has none")
        # Nor is a file that holds nothing passed over for the ID that was given beside it.
        for page, word in ((b"", "empty"), (self.good[:255], "255 bytes")):
            found = self.refuse("e403", 7, *self.decode(page), "--id", "EC DC 10 95 54")
            self.assertIn(word, found["what"])

    def test_F36_terminal_escapes_in_the_names(self):
        page = self.changed(32, "12s20s", b"\x1b[31mEVIL\x07  ", b"\x1b]0;owned\x07\r\n      ")
        plain = self.run_it(*self.decode(page * 3))
        self.assertEqual(plain.code, 0)
        self.assertEqual([c for c in plain.text + plain.err if ord(c) < 32 and c != "\n"], [])
        self.assertIn("EVIL", plain.text)
        answer = self.run_it(*self.decode(page * 3), "--json")
        self.assertNotIn(b"\x1b", answer.out)
        self.assertIn("owned", json.dumps(answer.json))

    def test_missing_and_huge_files(self):
        self.refuse("e505", 2, "chip", "decode", "--parameter-page", "nowhere.bin")
        with (self.folder / "huge.bin").open("wb") as file:
            file.truncate(1 << 40)
        self.refuse("e102", 2, "chip", "decode", "--parameter-page", "huge.bin")
        self.refuse("e102", 2, "chip", "decode", "--parameter-page", ".")


if __name__ == "__main__":
    bench.main()
