"""The socket's contacts and the board's own check, by commands, on simulated boards."""
import csv
import hashlib
import json
import xml.etree.ElementTree

import bench
from bench import BLOCKS, CONSENT, DATA, PAGES_PER_BLOCK, SMALL, random_pages

TABLE = DATA / "contact" / "contact_cases.csv"
# The case names of the shared table tell the answer (tests/data/contact/README.md).
ANSWERS = {"ok_1ce": ("seated", []), "ok_2ce": ("seated", []), "empty": ("empty", []), "turned_180": ("turned", [5, 6, 20, 33, 40]),
           "turned_180_2ce": ("turned", [5, 6, 20, 33, 34, 40]), "shift_down_1": ("shifted_down", [10, 14, 20, 28, 35, 40]),
           "shift_up_1": ("shifted_up", [6, 11, 15, 33, 38, 45]), "one_open_pin_17": ("open_pins", [17]),
           "row_25_48_open": ("open_row", [29, 30, 31, 32, 41, 42, 43, 44]), "adjacent_short_41_42": ("bridged", [41, 42]),
           "dead_supply_short": ("supply_short", [12, 13, 36, 37])}


class Judge(bench.BenchTest):
    def test_each_case_of_the_shared_table(self):
        for case, (verdict, pins) in ANSWERS.items():
            with self.subTest(case):
                told = self.succeed("socket", "judge", TABLE, "--case", case)
                self.assertEqual((told["verdict"], told["pins"]), (verdict, pins))
                self.assertEqual(told["power_allowed"], verdict in ("seated", "empty"))
                self.assertEqual(len(told["positions"]), 48)

    def test_all_cases_at_once(self):
        told = self.succeed("socket", "judge", TABLE)
        self.assertEqual({one["case"]: (one["verdict"], one["pins"]) for one in told["cases"]}, ANSWERS)

    def test_a_named_map_and_a_map_of_ones_own(self):
        told = self.succeed("socket", "judge", TABLE, "--case", "ok_1ce", "--map", "tsop48-x8-2ce")
        self.assertEqual((told["verdict"], told["pins"]), ("open_pins", [6, 10]))
        lanes = {f"I/O{i}": p for i, p in enumerate([29, 30, 31, 32, 41, 42, 43, 44])}
        mine = {"schema": "steadycell-socket-map/1", "name": "mine", "title": "mine", "package": "TSOP48", "source": "invented",
                "signals": {"CE#": 9, "WP#": 20, **lanes}}
        (self.folder / "mine.json").write_text(json.dumps(mine))
        told = self.succeed("socket", "judge", TABLE, "--case", "ok_1ce", "--map", "mine.json")
        self.assertEqual((told["verdict"], told["pins"], told["map"]), ("open_pins", [20], "mine"))

    def test_bad_input(self):
        self.assertIn("ok_1ce", self.said(self.refuse("e101", 2, "socket", "judge", TABLE, "--case", "nobody")))
        self.assertIn("tsop48-x8", self.said(self.refuse("e101", 2, "socket", "judge", TABLE, "--map", "nowhere")))
        self.refuse("e505", 2, "socket", "judge", "nowhere.csv")
        self.refuse("e101", 2, "socket", "judge", TABLE, "--svg", "all.svg")
        lines = TABLE.read_text().splitlines()
        (self.folder / "cut.csv").write_text("\n".join(lines[:30]))
        self.assertIn("position 30", self.said(self.refuse("e102", 2, "socket", "judge", "cut.csv")))
        (self.folder / "bad.json").write_text("{}")
        self.assertIn("bad.json", self.said(self.refuse("e102", 2, "socket", "judge", TABLE, "--case", "empty", "--map", "bad.json")))

    def test_the_boards_own_readings_judged_again_say_the_same(self):
        for socket, code in (({}, 0), ({"turned": True}, 6), ({"open_pins": [17]}, 6)):
            told = self.succeed("socket", "check", "--board", self.fixture(socket=socket), code=code)
            with open(self.folder / "own.csv", "w", newline="") as file:
                table = csv.writer(file)
                table.writerow(["position", "v_at_plus100uA_mV", "v_at_minus100uA_mV", "short_to"])
                for one in told["positions"]:
                    table.writerow([one["position"], one["plus_mV"], one["minus_mV"], one.get("bridged_with", "")])
                table.writerow(["RAIL", told["rail"]["plus_mV"], told["rail"]["minus_mV"], ""])
            again = self.succeed("socket", "judge", "own.csv")
            self.assertEqual((again["verdict"], again["pins"]), (told["verdict"], told["pins"]))


class Check(bench.BenchTest):
    def test_what_forbids_power_ends_with_code_6(self):
        for socket, verdict, pins in (({"turned": True}, "turned", None), ({"shift": 1}, "shifted_down", None), ({"shift": -1}, "shifted_up", None),
                                      ({"bridged_pins": [[12, 13]]}, "supply_short", [12, 13, 36, 37]), ({"bridged_pins": [[7, 44]]}, "bridged", [7, 44]), ({"shift": 2}, "unsure", [14, 15, 34, 35]),
                                      ({"bridged_pins": [[13, 14]]}, "bridged", [13, 14]),
                                      ({"bridged_pins": [[29, 30]]}, "bridged", [29, 30]), ({"open_pins": [12]}, "open_pins", [12]),
                                      ({"open_pins": list(range(25, 49))}, "open_row", None)):
            with self.subTest(socket):
                board = self.fixture(socket=socket)
                told = self.succeed("socket", "check", "--board", board, code=6)
                self.assertEqual((told["verdict"], told["power_allowed"]), (verdict, False))
                if pins:
                    self.assertEqual(told["pins"], pins)
                self.refuse("e307", 6, "chip", "identify", "--board", board, *CONSENT)

    def test_a_bench_that_cannot_be_kept_is_told_before_any_power(self):
        board = self.fixture()
        (self.folder / "file").write_text("no folder")
        (self.folder / "locked/log.jsonl").mkdir(parents=True)  # cannot be written, not even by the superuser
        before = self.snapshot("locked")
        writing = (("socket", "check"), ("board", "check", *CONSENT), ("supply", "cold", "--board-number", "A-1", "--keep-as-twin"),
                   ("supply", "record", "--to", "trace.csv"))
        for bad in ("file", "locked"):
            for command in writing:
                with self.subTest(bench=bad, command=command):
                    done = self.run_it(*command, "--board", board, "--bench", bad, "--json")
                    error = self.only_object(done)["error"]
                    self.assertIn("--bench", error["next"])
                    self.assertEqual(error["kept"], "nothing got power")
        found = self.refuse("e101", 2, "chip", "read", "--board", board, *CONSENT, "--passes", "1", "--into", "c", "--bench", "file")
        self.assertEqual(found["kept"], "nothing got power")
        self.assertFalse(any((self.folder / name).exists() for name in ("c", "trace.csv")))
        self.assertEqual(self.snapshot("locked"), before)

    def test_map_of_two_chip_enables_finds_the_open_one(self):
        board = self.fixture(targets=[SMALL, SMALL], socket={"open_pins": [6]})
        told = self.succeed("socket", "check", "--board", board)
        self.assertTrue(any("pin 6 (R/B2#)" in note for note in told["notes"]), told["notes"])
        named = self.succeed("socket", "check", "--board", board, "--map", "tsop48-x8-2ce", code=6)
        self.assertEqual((named["verdict"], named["pins"]), ("open_pins", [6]))

    def test_a_named_map_is_asked_for_before_power(self):
        one = self.fixture()
        self.refuse("e307", 6, "chip", "identify", "--board", one, "--map", "tsop48-x8-2ce", *CONSENT)
        self.refuse("e307", 6, "chip", "read", "--board", one, "--map", "tsop48-x8-2ce", "--passes", 1, "--into", "no", *CONSENT)
        self.succeed("chip", "identify", "--board", one, "--map", "tsop48-x8", *CONSENT)
        self.assertIn("tsop48-x8", self.said(self.refuse("e101", 2, "chip", "identify", "--board", one, "--map", "nowhere")))

    def test_leakage_is_a_note_beside_seated(self):
        told = self.succeed("socket", "check", "--board", self.fixture(socket={"leakage_ohm": 5200, "leaking_pins": [17, 18]}))
        self.assertEqual((told["verdict"], told["power_allowed"]), ("seated", True))
        self.assertEqual(sum("flux residue" in note for note in told["notes"]), 2, told["notes"])
        told = self.succeed("socket", "check", "--board", self.fixture(socket={"leakage_ohm": 1e6, "leaking_pins": [17, 18]}))
        self.assertEqual((told["verdict"], told["notes"]), ("seated", []))

    def test_leaking_supply_pin_is_a_note_with_its_ohms(self):
        told = self.succeed("socket", "check", "--board", self.fixture(socket={"leakage_ohm": 5200, "leaking_pins": [12]}))
        self.assertEqual((told["verdict"], told["power_allowed"]), ("seated", True))
        self.assertTrue(any("VCC leaks to ground, some 5 kohm" in note for note in told["notes"]), told["notes"])
        told = self.succeed("socket", "check", "--board", self.fixture(socket={"leakage_ohm": 1000, "leaking_pins": [37]}), code=6)
        self.assertEqual((told["verdict"], told["power_allowed"]), ("supply_short", False))

    def test_the_package_is_drawn(self):
        board = self.fixture(socket={"open_pins": [17]})
        done = self.run_it("socket", "check", "--board", board, "--svg", "contacts.svg")
        self.assertEqual(done.code, 6)
        self.assertIn("1 |o", done.text)
        self.assertIn("OPEN   17 |", done.text)
        self.assertIn("refused until this is mended", done.text)
        root = xml.etree.ElementTree.parse(self.folder / "contacts.svg").getroot()
        words = " ".join("".join(text.itertext()) for text in root.iter("{http://www.w3.org/2000/svg}text"))
        self.assertIn("pin 1", words)
        self.assertIn("ALE -/- OPEN", words)
        before = (self.folder / "contacts.svg").read_bytes()
        self.refuse("e103", 2, "socket", "check", "--board", board, "--svg", "contacts.svg")
        self.assertEqual((self.folder / "contacts.svg").read_bytes(), before)


class Board(bench.BenchTest):
    LOAD = ("--load-ohm", 100, "--load-nF", 10000)

    def empty(self, **board):
        return self.fixture(chip=False, board={"port_load_ohm": 100, "port_load_uF": 10, **board})

    def outcomes(self, told):
        return {item["item"]: item["outcome"] for item in told["items"]}

    def test_good_board_passes_everything(self):
        told = self.succeed("board", "check", "--board", self.empty(), *self.LOAD, *CONSENT)
        self.assertTrue(told["passed"])
        self.assertEqual(self.outcomes(told), {name: "passed" for name in
                         ("wp", "socket_empty", "lanes", "rail_1v8", "rail_3v3", "port_load", "port_trip")})
        load = next(item["values"] for item in told["items"] if item["item"] == "port_load")
        self.assertAlmostEqual(load["measured_ohm"], 100, delta=3)
        self.assertAlmostEqual(load["measured_uF"], 10, delta=1)

    def test_a_load_without_a_capacitor_says_nothing_of_one(self):
        item = next(item for item in self.succeed("board", "check", "--board", self.empty(), "--load-ohm", 100)["items"] if item["item"] == "port_load")
        self.assertNotIn("uF", item["text"])
        self.assertNotIn("expected_uF", item["values"])

    def test_a_mistyped_load_is_asked_about_and_a_new_check_takes_its_place(self):
        uuid = {"uuid": "f81d4fae-7dec-41d0-a765-00a0c91e6bf6"}
        board, chip = self.empty(**uuid), self.fixture("chip.json", content=random_pages(BLOCKS * PAGES_PER_BLOCK), board=uuid)
        told = self.succeed("board", "check", "--board", board, "--load-ohm", 200, "--bench", "bench", code=6)
        self.assertIn("--load-ohm", next(item["text"] for item in told["items"] if item["item"] == "port_load"))
        self.assertIn("the newest check counts", self.run_it("board", "check", "--board", board, "--load-ohm", 200, "--bench", "bench").text)

        def warnings(into):
            read = self.succeed("chip", "read", "--board", chip, *CONSENT, "--passes", 1, "--blocks", "0-0", "--into", into, "--bench", "bench")
            return [note for note in read["notes"] if note.startswith("warning")]
        self.assertIn("run board check again, the newest check counts", warnings("one")[0])
        self.succeed("board", "check", "--board", board, "--load-ohm", 100, "--bench", "bench")
        self.assertEqual(warnings("two"), [])
        near = self.succeed("board", "check", "--board", board, "--load-ohm", 95, code=6)  # what a board fault may well be
        self.assertNotIn("--load-ohm", next(item["text"] for item in near["items"] if item["item"] == "port_load"))

    def test_without_word_or_load_those_rails_stay_off(self):
        told = self.succeed("board", "check", "--board", self.empty())
        self.assertTrue(told["passed"])
        outcomes = self.outcomes(told)
        self.assertEqual([outcomes[name] for name in ("rail_3v3", "port_load", "port_trip")], ["not_checked"] * 3)

    def test_each_fault_of_the_board_is_its_own_item(self):
        for board, failed in (({"wp_high": True}, {"wp"}), ({"rail_mV": 1500}, {"rail_1v8"}), ({"port_load_ohm": 80}, {"port_load"}),
                              ({"port_load_uF": 5}, {"port_load"}), ({"port_load_ohm": 400}, {"port_load", "port_trip"})):
            with self.subTest(board):
                told = self.succeed("board", "check", "--board", self.empty(**board), *self.LOAD, code=6)
                self.assertFalse(told["passed"])
                self.assertEqual({item["item"] for item in told["items"] if item["outcome"] == "failed"}, failed)

    def test_a_chip_in_the_socket_ends_the_check_unpowered_and_unfiled(self):
        for name, socket in (("seated.json", {}), ("turned.json", {"turned": True}), ("low.json", {"shift": 1})):
            with self.subTest(name):
                self.refuse("e101", 2, "board", "check", "--board", self.fixture(name, socket=socket), *CONSENT, "--bench", "bench")
        self.assertEqual(list((self.folder / "bench").glob("boards/*/check-*")), [])

    def test_a_dirty_socket_fails_and_gets_no_power(self):
        told = self.succeed("board", "check", "--board", self.fixture("dirty.json", chip=False, board={}, socket={"bridged_pins": [[8, 9]]}), *CONSENT, code=6)
        outcomes = self.outcomes(told)
        self.assertEqual((outcomes["socket_empty"], outcomes["rail_1v8"], outcomes["rail_3v3"]), ("failed", "not_checked", "not_checked"))

    def test_reference_chip(self):
        board = self.fixture()
        self.assertEqual(self.outcomes(self.succeed("board", "check", "--board", board, "--reference", "EC 76", *CONSENT))["reference_chip"], "passed")
        self.assertEqual(self.outcomes(self.succeed("board", "check", "--board", board, "--reference", "EC 75", *CONSENT, code=6))["reference_chip"], "failed")
        turned = self.fixture("turned.json", socket={"turned": True})
        self.assertEqual(self.outcomes(self.succeed("board", "check", "--board", turned, "--reference", "EC 76", *CONSENT, code=6))["reference_chip"], "failed")
        self.refuse("e101", 2, "board", "check", "--board", board, "--reference", "EC 7")

    def test_report_is_kept_counted_and_quoted_in_the_image(self):
        uuid = "f81d4fae-7dec-41d0-a765-00a0c91e6bf6"
        empty, chip = self.empty(uuid=uuid), self.fixture("chip.json", content=random_pages(BLOCKS * PAGES_PER_BLOCK), board={"uuid": uuid})
        for _ in range(2):
            self.succeed("socket", "check", "--board", chip, "--bench", "bench")
        self.succeed("socket", "check", "--board", empty, "--bench", "bench")
        told = self.succeed("board", "check", "--board", empty, *self.LOAD, "--bench", "bench")
        self.assertEqual(told["insertions"], 2, "checks that found a chip")
        report = self.folder / told["report"]
        self.assertEqual(report.parent, self.folder / "bench" / "boards" / uuid)
        self.assertEqual(hashlib.sha256(report.read_bytes()).hexdigest(), told["report_sha256"])
        kept = json.loads(report.read_text())
        self.assertEqual((kept["schema"], kept["board"], kept["passed"]), ("steadycell-board-check/1", uuid, True))

        read = self.succeed("chip", "read", "--board", chip, *CONSENT, "--passes", 1, "--blocks", f"0-{BLOCKS - 1}", "--into", "capture", "--bench", "bench")
        quote = f"board check of {told['time']} passed"
        self.assertFalse(any(note.startswith("warning") for note in read["notes"]), read["notes"])
        self.succeed("capture", "settle", "capture", "--image", "image", code=3)
        notes = json.loads((self.folder / "image" / "manifest.json").read_text())["notes"]
        quoted = [note for note in notes if note.startswith("board check of ")]
        self.assertEqual(len(quoted), 1, notes)
        self.assertIn(told["report_sha256"], quoted[0])
        self.assertTrue(quoted[0].startswith(quote), quoted)

    def test_a_patient_left_in_the_port_is_not_powered(self):
        board = self.fixture("left.json", chip=False, patient={"circuit": {"short_ohm": 2}})
        told = self.succeed("board", "check", "--board", board, "--load-ohm", 100, code=6)
        items = {item["item"]: item for item in told["items"]}
        self.assertEqual((items["port_load"]["outcome"], items["port_trip"]["outcome"]), ("failed", "not_checked"))
        self.assertIn("not powered", items["port_load"]["text"])

    def test_failed_missing_and_stale_checks_warn(self):
        uuid = "f81d4fae-7dec-41d0-a765-00a0c91e6bf6"
        chip = self.fixture("chip.json", content=random_pages(BLOCKS * PAGES_PER_BLOCK), board={"uuid": uuid})
        read = lambda into, bench_root: self.succeed("chip", "read", "--board", chip, *CONSENT, "--passes", 1, "--blocks", "0-0", "--into", into, "--bench", bench_root)["notes"]
        (self.folder / "bench").mkdir()
        self.assertTrue(any(note.startswith("warning: board") and "never checked" in note for note in read("first", "bench")))
        self.succeed("board", "check", "--board", self.empty(uuid=uuid, rail_mV=1500), "--bench", "bench", code=6)
        self.assertTrue(any(note.startswith("warning: board check") and "FAILED" in note for note in read("second", "bench")))


if __name__ == "__main__":
    bench.main()
