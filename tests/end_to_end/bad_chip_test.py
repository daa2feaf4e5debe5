"""What the socket can hold that must not be read: no chip, a silent one, a turned or shifted one, another one."""
import contextlib
import json
import os
import pty
import subprocess

import bench
from bench import BLOCKS, CONSENT, PAGES_PER_BLOCK, SMALL, random_pages


class Nothing(bench.BenchTest):
    def test_empty_socket(self):
        board = self.fixture(chip=False, patient={"trace_csv": "trace.csv"})
        (self.folder / "trace.csv").write_text("time_s,current_mA,vbus_V\n0,10,5\n1,10,5\n")
        for command in (("chip", "identify"), ("chip", "read", "--passes", "1", "--into", "capture")):
            self.refuse("e401", 4, *command, "--board", board, *CONSENT)
        self.assertFalse((self.folder / "capture").exists(), "no capture of nothing")
        self.assertFalse(self.succeed("socket", "check", "--board", board)["seated"])

    def test_F37_chip_whose_bus_stays_high(self):
        self.refuse("e401", 4, "chip", "identify", "--board", self.fixture(target=SMALL | {"id_bytes": "FF FF"}), *CONSENT)

    def test_F37_chip_whose_bus_stays_low(self):
        self.refuse("e401", 4, "chip", "identify", "--board", self.fixture(target=SMALL | {"id_bytes": "00 00"}), *CONSENT)

    def test_F37_id_that_changes_from_read_to_read(self):
        board = self.fixture(socket={"lane_error_rate": [0, 0, 0, 0.4, 0, 0, 0, 0]})
        self.refuse("e402", 4, "chip", "identify", "--board", board, *CONSENT)

    def test_chip_nobody_knows(self):
        self.refuse("e404", 7, "chip", "identify", "--board", self.fixture(target=SMALL | {"id_bytes": "EC 02"}), *CONSENT)


class Power(bench.BenchTest):
    def test_more_than_1_8_V_needs_a_word(self):
        board = self.fixture()
        found = self.refuse("e306", 6, "chip", "identify", "--board", board)
        self.assertIn("--supply-mV 3300", found["next"])
        self.refuse("e306", 6, "chip", "read", "--board", board, "--passes", "1", "--into", "capture")
        self.assertFalse((self.folder / "capture").exists())

    def test_write_protect_that_is_high(self):
        found = self.refuse("e309", 6, "chip", "read", "--board", self.fixture(board={"wp_high": True}), *CONSENT, "--passes", "1",
                            "--blocks", "0-0", "--into", "capture")
        self.assertIn("WP#", found["what"])
        self.assertEqual(list((self.folder / "capture").glob("pass-*")), [], "not one page was read")

    def test_rail_that_does_not_come_up(self):
        self.refuse("e303", 6, "chip", "identify", "--board", self.fixture(board={"rail_mV": 600}), *CONSENT)


class Seating(bench.BenchTest):
    def check(self, verdict_part, **socket):
        board = self.fixture(socket=socket)
        found = self.refuse("e307", 6, "chip", "identify", "--board", board, *CONSENT)
        self.assertIn(verdict_part, self.said(found))
        self.refuse("e307", 6, "chip", "read", "--board", board, *CONSENT, "--passes", "1", "--into", "capture")
        self.assertFalse((self.folder / "capture").exists())
        told = self.succeed("socket", "check", "--board", board, code=6)
        self.assertFalse(told["seated"] or told["power_allowed"])
        self.assertIn(verdict_part, told["verdict"] + told["text"])

    def test_turned(self):
        self.check("turned", turned=True)

    def test_shifted(self):
        self.check("pin 1 stands on pin 2", shift=1)

    def test_shifted_the_other_way(self):
        self.check("pin 2 stands on pin 1", shift=-1)

    def test_open_data_lane(self):
        # Position 29 is I/O 0 of a x8 part in a 48-pin TSOP (ONFI 1.0, section 2.1).
        self.check("29", open_pins=[29])


class AnotherChip(bench.BenchTest):
    def test_F02_capture_of_another_chip_stays_as_it_is(self):
        pages = random_pages(BLOCKS * PAGES_PER_BLOCK)
        self.read(self.fixture(content=pages))
        before = self.snapshot("capture")
        # Device code 75h: the 32 MiB part of the same family.
        other = self.fixture("other.json", content=pages, target=SMALL | {"id_bytes": "EC 75"})
        found = self.refuse("e105", 7, "chip", "read", "--board", other, *CONSENT, "--passes", "3", "--blocks", "0-3", "--into", "capture")
        said = self.said(found).upper()
        for identity in ("EC 76", "EC 75"):
            self.assertIn(identity, said, "both identities are shown")
        after = self.snapshot("capture")
        self.assertTrue(after["journal"].startswith(before["journal"]), "the attempt may be noted behind what was there, no more")
        for name in before.keys() - {"journal", "lock"}:
            self.assertEqual(after[name], before[name], name)
        self.assertEqual(self.read("sim:fixture.json", passes=3)["units_held"], 2 * BLOCKS)  # and goes on with its own chip

    def test_blocks_beyond_the_chip(self):
        found = self.refuse("e101", 2, "chip", "read", "--board", self.fixture(), *CONSENT, "--passes", "1", "--blocks", "4090-4096", "--into", "c")
        self.assertIn("4095", self.said(found))
        self.assertFalse((self.folder / "c").exists())


class Asking(bench.BenchTest):
    """On a terminal the word for 3.3 V is asked for."""

    def typed(self, answers):
        board = self.fixture(content=random_pages(BLOCKS * PAGES_PER_BLOCK))
        ours, theirs = pty.openpty()
        self.addCleanup(os.close, ours)
        running = subprocess.Popen(self.command("chip", "identify", "--board", board, "--json"), cwd=self.folder, stdin=theirs, stdout=subprocess.PIPE, stderr=theirs)
        os.close(theirs)
        seen = ""
        for answer in (*answers, None):
            asked = seen.count("yes/no]") + seen.count("or no:")
            with contextlib.suppress(OSError):  # the terminal of a program that has ended
                while answer is None or seen.count("yes/no]") + seen.count("or no:") == asked:
                    seen += os.read(ours, 4096).decode()
            if answer is not None:
                os.write(ours, answer.encode() + b"\n")
        out, _ = running.communicate(timeout=120)
        return running.returncode, json.loads(out), seen

    def test_yes_powers_it(self):
        code, told, _ = self.typed(["yes"])
        self.assertEqual((code, told["supply_mV"]), (0, 3300))

    def test_y_is_asked_for_once_more_and_is_no_silent_no(self):
        code, told, seen = self.typed(["y", "y"])
        self.assertEqual((code, told["error"]["code"]), (6, "e306"))
        self.assertIn("the whole word yes", seen)
        self.assertIn("not powered at 3.3 V", seen)
        code, told, _ = self.typed(["y", "yes"])
        self.assertEqual((code, told["supply_mV"]), (0, 3300))


if __name__ == "__main__":
    bench.main()
