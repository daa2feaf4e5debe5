"""Recording and diagnosing the supply of a dead stick: boards simulated with ngspice (tests/data/current), by commands."""
import csv
import gzip
import hashlib
import json
import shutil
import signal
import subprocess
import time
from xml.etree import ElementTree

import bench
from bench import DATA

CURRENT = DATA / "current"


class Supply(bench.BenchTest):
    def patient(self, name):
        shutil.copy(CURRENT / name, self.folder)
        return self.fixture(chip=False, patient={"trace_csv": name})

    def circuit(self, name="fixture.json", **values):
        return self.fixture(name, chip=False, patient={"circuit": values})

    def log(self):
        """The lines of the bench log, its chain checked by its document alone: each hash covers the line in front of it."""
        previous, lines = "0" * 64, []
        for number, text in enumerate((self.folder / "bench" / "log.jsonl").read_text().splitlines(), 1):
            line = json.loads(text)
            front = text[: text.rindex(',"hash":"')]
            self.assertEqual(line["hash"], hashlib.sha256(front.encode()).hexdigest())
            self.assertEqual((line["n"], line["previous"]), (number, previous))
            previous = line["hash"]
            lines.append(line)
        return lines

    def record(self, board, to, *options, seconds=1, **more):
        return self.succeed("supply", "record", "--board", board, "--to", to, "--seconds", seconds, *options, **more)

    def test_recorded_patients_are_told_apart(self):
        labels = {row["file"]: row["label"] for row in csv.DictReader((CURRENT / "labels.csv").read_text().splitlines())}
        for name, fault in (("s006.csv.gz", "vbus_short"), ("s017.csv.gz", "open_path")):
            with self.subTest(fault):
                self.assertEqual(labels[name], fault)
                trace = f"{fault}.csv.gz"
                insist = ["--power-despite-measured-short"] if fault == "vbus_short" else []
                recorded = self.record(self.patient(name), trace, *insist)
                self.assertEqual(recorded["limit_mA"], 100)
                self.assertEqual(recorded["diagnoses"][0]["fault"], fault)
                self.assertTrue(recorded["diagnoses"][0]["evidence"])
                self.assertEqual(recorded["tripped"], fault == "vbus_short")
                again = self.succeed("supply", "diagnose", trace)
                self.assertEqual(again["diagnoses"], recorded["diagnoses"], "the file holds all that the diagnosis used")
                self.assertEqual(again["samples"], recorded["samples"])
                before = (self.folder / trace).read_bytes()
                self.refuse("e103", 2, "supply", "record", "--board", f"sim:{self.folder / 'fixture.json'}", "--to", trace, "--seconds", "1")
                self.assertEqual((self.folder / trace).read_bytes(), before)

    def test_circuits_are_recorded_and_diagnosed_the_whole_way(self):
        cases = {
            "healthy": {},
            "rail_short": {"regulated_short_ohm": 15},
            "open_path": {"path_open": True},
            "ldo_dead": {"regulator_dead": True},
            "dead_clock": {"boot": "no_clock"},
            "boot_loop": {"boot": "restarts", "restart_ms": 110},
            "nand_no_answer": {"boot": "no_memory"},
            "inrush_large": {"input_uF": 100},
            "missing_bulk": {"input_uF": 0.3},
            "intermittent": {"contact_open_ms": [[200, 6], [390, 8], [600, 7], [810, 9]]},
        }
        for fault, values in cases.items():
            with self.subTest(fault):
                recorded = self.record(self.circuit(**values), f"{fault}.csv.gz", "--burst", f"{fault}.burst.csv.gz", "--patient", fault)
                self.assertEqual(recorded["diagnoses"][0]["fault"], fault, recorded["diagnoses"])
                self.assertEqual(recorded["check_before_power"]["verdict"], "open_path" if fault == "open_path" else "clean")
                self.assertEqual(recorded["limit_mA"], 100 if fault == "open_path" else 500)
                self.assertEqual([recorded["tripped"], recorded["power_up"]], [False, 1])
                self.assertEqual([event["text"] for event in recorded["events"]][:1], ["on"])

    def test_check_before_power_and_what_follows_from_it(self):
        cold = lambda **values: self.succeed("supply", "cold", "--board", self.circuit(**values))
        good = cold()
        self.assertEqual((good["verdict"], good["limit_mA"]), ("clean", 500))
        self.assertAlmostEqual(good["capacitance_uF"], 10, delta=1)
        self.assertLess(good["junction_V"], -0.4)
        self.assertEqual(cold(path_open=True)["verdict"], "open_path")
        self.assertEqual(cold(d_minus="short")["verdict"], "doubtful")
        self.assertIn("D+ is open both ways", " ".join(cold(d_plus="open")["findings"]))
        for ohm in (0.5, 3.0, 22.0):
            short = self.succeed("supply", "cold", "--board", self.circuit(short_ohm=ohm), code=6)
            self.assertEqual(short["verdict"], "shorted")
            self.assertAlmostEqual(short["ohm"], ohm + 0.4, delta=0.02)  # lead and contacts included

    def test_findings_before_power_are_evidence_and_stay_with_the_trace(self):
        cases = (("leak", {"short_ohm": 100}, "vbus_short", "100 ohm"), ("bridged", {"d_plus": "short"}, "data_line", "D+ reads"),
                 ("cut", {"d_minus": "open"}, "data_line", "D- is open"), ("good", {}, "healthy", "250.0 kohm"))
        for name, circuit, fault, number in cases:
            with self.subTest(name):
                recorded = self.record(self.circuit(**circuit), f"{name}.csv.gz")
                first = recorded["diagnoses"][0]
                self.assertEqual(first["fault"], fault, recorded["diagnoses"])
                self.assertIn("before power: ", " ".join(first["evidence"]))
                self.assertIn(number, " ".join(first["evidence"]))
                later = self.succeed("supply", "diagnose", f"{name}.csv.gz")
                self.assertEqual(later["diagnoses"], recorded["diagnoses"])
                self.assertEqual(later["check_before_power"]["verdict"], recorded["check_before_power"]["verdict"])

    def started(self, to):
        """A recording of a timed patient that has begun to reach the disk."""
        board = self.fixture("slow.json", chip=False, timed=True, patient={"circuit": {}})
        command = [bench.STEADYCELL, "supply", "record", "--board", board, "--to", to, "--seconds", "60", "--patient", "case7", "--json"]
        running = subprocess.Popen(command, cwd=self.folder, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        path, until = self.folder / to, time.monotonic() + 60
        while not (path.exists() and path.stat().st_size > 30000):
            self.assertIsNone(running.poll(), "it ended by itself")
            self.assertLess(time.monotonic(), until)
            time.sleep(0.05)
        return running

    def test_killed_recording_is_read_as_far_as_it_is_whole(self):
        running = self.started("killed.csv.gz")
        if self.by_daemon:  # it is the daemon that records
            self.daemon.end(signal.SIGKILL)
            error = json.loads(running.communicate(timeout=120)[0].splitlines()[-1])["error"]
            self.assertEqual(error["code"], "e603")
            self.assertIn("steadycell supply diagnose killed.csv.gz", error["next"])
            self.assertIn("another power-up", error["next"])
            self.daemon = bench.Daemon(self.runtime)
        else:
            running.kill()
            running.communicate()
        told = self.succeed("supply", "diagnose", "killed.csv.gz")
        self.assertGreater(told["samples"], 2000)
        self.assertGreater(told["broke_off_s"], 0.2)
        self.assertIn(f"breaks off at t = {told['broke_off_s']:.3f} s", " ".join(told["diagnoses"][0]["evidence"]))
        self.assertLessEqual(told["diagnoses"][0]["confidence"], 0.9)
        self.succeed("supply", "plot", "killed.csv.gz", "--to", "killed.svg")

    def test_stopped_recording_says_how_to_go_on_and_who_stopped_it(self):
        running = self.started("stopped.csv.gz")
        running.send_signal(signal.SIGINT)
        out, _ = running.communicate(timeout=120)
        error = json.loads(out.splitlines()[-1])["error"]
        self.assertEqual((running.returncode, error["code"]), (130, "e107"))
        self.assertIn("steadycell supply diagnose stopped.csv.gz", error["next"])
        self.assertIn("another power-up", error["next"])
        self.assertEqual([line["facts"]["outcome"] for line in self.log() if line["kind"] == "supply.recorded"], ["stopped_by_user"])
        self.assertIsNone(self.succeed("supply", "diagnose", "stopped.csv.gz")["broke_off_s"])

    def test_short_is_powered_only_on_the_users_word(self):
        board = self.circuit(short_ohm=2)
        found = self.refuse("e315", 6, "supply", "record", "--board", board, "--to", "no.csv", "--seconds", "1", "--patient", "case7")
        self.assertIn("--power-despite-measured-short", found["next"])
        self.assertFalse((self.folder / "no.csv").exists())
        self.assertFalse((self.folder / "bench" / "log.jsonl").exists(), "nothing was powered")
        recorded = self.record(board, "yes.csv", "--power-despite-measured-short", "--patient", "case7")
        self.assertEqual((recorded["limit_mA"], recorded["tripped"]), (100, True))
        self.assertEqual(recorded["diagnoses"][0]["fault"], "vbus_short")
        powered = [line["facts"] for line in self.log() if line["kind"] == "supply.power_up"]
        self.assertEqual([(facts["despite_measured_short"], facts["limit_mA"]) for facts in powered], [(True, 100)])
        # More than a doubtful board may have, too.
        self.refuse("e315", 6, "supply", "record", "--board", self.circuit(short_ohm=200), "--to", "more.csv", "--seconds", "1", "--limit", "400")

    def test_every_power_up_of_a_patient_is_counted(self):
        board = self.circuit()
        counts = [self.record(board, f"{i}.csv", "--patient", patient)["power_up"] for i, patient in enumerate(["a", "b", "a", "a"])]
        self.assertEqual(counts, [1, 1, 2, 3])
        kinds = [line["kind"] for line in self.log()]
        self.assertEqual(kinds, ["supply.power_up", "supply.recorded"] * 4)

    def test_readings_before_power_are_kept_once_and_a_second_try_is_told(self):
        keep = ("supply", "cold", "--board", self.circuit(), "--board-number", "AB-12", "--controller", "CX-9", "--keep-as-twin")
        first, second = self.succeed(*keep), self.succeed(*keep)
        self.assertEqual((first["kept_as_twin"], first["notes"]), (True, []))
        self.assertFalse(second["kept_as_twin"])
        self.assertIn("not kept", " ".join(second["notes"]))
        self.assertEqual([line["facts"]["kept"] for line in self.log() if line["kind"] == "twin.cold"], [True, False])
        self.assertTrue(self.succeed("supply", "cold", "--board", self.circuit(), "--board-number", "ab12")["with_twin"])

    def test_recording_of_a_boot_loop_ends_at_its_second_period(self):
        board = self.circuit(boot="restarts", restart_ms=150)
        ended = self.record(board, "loop.csv.gz", seconds=20)
        self.assertTrue(ended["ended_at_boot_loop"])
        self.assertEqual(ended["diagnoses"][0]["fault"], "boot_loop")
        self.assertLess(ended["features"]["duration_s"], 10)
        self.assertIn("--whole", " ".join(ended["notes"]))
        whole = self.record(board, "whole.csv.gz", "--whole", seconds=2)
        self.assertFalse(whole["ended_at_boot_loop"])
        self.assertGreater(whole["features"]["duration_s"], 1.5)

    def test_twin_is_kept_found_and_compared(self):
        for i in range(3):  # three boards of one kind: stages differ from run to run and seed to seed
            board = self.fixture("good.json", chip=False, seed=20 + i, patient={"circuit": {}})
            self.record(board, f"good{i}.csv.gz")
            kept = self.succeed("supply", "keep-twin", f"good{i}.csv.gz", "--board-number", "AB-12/3", "--controller", "CX 9")
            self.assertEqual(kept["runs"], i + 1)
        self.record(self.fixture("again.json", chip=False, seed=99, patient={"circuit": {}}), "again.csv.gz")
        same = self.succeed("supply", "diagnose", "again.csv.gz", "--board-number", "ab12-3")["twin"]
        self.assertTrue(same["alike"], same)
        self.assertFalse(same["repeatability_assumed"])
        self.record(self.circuit(boot="no_memory"), "silent.csv.gz")
        silent = self.succeed("supply", "diagnose", "silent.csv.gz", "--board-number", "AB12/3", "--controller", "cx9")["twin"]
        self.assertFalse(silent["alike"])
        # Bursts are counted in windows of 20 ms, so the moment is known to half of that: on either side of where reading begins.
        about = ("comes out of reset and runs its ROM", "reads pages")
        self.assertIn(silent["stage"], about)
        self.assertAlmostEqual(silent["parts_s"], 0.034, delta=0.02)
        by_file = self.succeed("supply", "diagnose", "silent.csv.gz", "--twin", "good0.csv.gz")["twin"]
        self.assertIn(by_file["stage"], about)
        self.assertTrue(by_file["repeatability_assumed"])
        self.refuse("e505", 2, "supply", "diagnose", "silent.csv.gz", "--board-number", "ZZ-1")
        self.assertIsNone(self.succeed("supply", "diagnose", "silent.csv.gz")["twin"])

    def test_twin_of_a_sick_board_or_kept_twice_is_refused_and_a_run_can_be_dropped(self):
        name = ("--board-number", "AB-12", "--controller", "CX-9")
        self.record(self.circuit(boot="no_memory"), "sick.csv.gz")
        told = self.refuse("e101", 2, "supply", "keep-twin", "sick.csv.gz", *name)
        self.assertIn("--keep-despite-diagnosis", told["next"])
        self.assertFalse((self.folder / "bench" / "twins").exists() and any((self.folder / "bench" / "twins").iterdir()))
        self.record(self.circuit(), "good.csv.gz")
        self.succeed("supply", "keep-twin", "good.csv.gz", *name)
        shutil.copy(self.folder / "good.csv.gz", self.folder / "copy.csv.gz")
        self.assertIn("run 1", self.said(self.refuse("e103", 2, "supply", "keep-twin", "copy.csv.gz", *name)))
        insisted = self.succeed("supply", "keep-twin", "sick.csv.gz", *name, "--keep-despite-diagnosis")
        self.assertIn("on the user's word", " ".join(insisted["notes"]))
        listed = self.succeed("supply", "drop-twin", *name)
        self.assertEqual([(run["run"], run["fault"]) for run in listed["runs"]], [(1, "healthy"), (2, "nand_no_answer")])
        self.assertIsNone(listed["dropped"])
        self.refuse("e505", 2, "supply", "drop-twin", *name, "--run", "7")
        dropped = self.succeed("supply", "drop-twin", *name, "--run", "2")
        self.assertEqual((dropped["runs_kept"], [run["run"] for run in dropped["runs"]]), (1, [2]))
        self.assertTrue((self.folder / dropped["dropped"]).exists())
        self.assertEqual([run["run"] for run in self.succeed("supply", "drop-twin", *name)["runs"]], [1])
        kept = [line["facts"] for line in self.log() if line["kind"] == "twin.kept"]
        self.assertEqual([(facts["diagnosis"], facts["user_insisted"]) for facts in kept], [("healthy", False), ("nand_no_answer", True)])
        self.assertEqual(len([line for line in self.log() if line["kind"] == "twin.run_dropped"]), 1)

    def test_twin_that_is_none_is_left_out_with_the_reason(self):
        for name in ("s012.csv.gz", "s022.csv.gz", "s031.csv.gz"):
            shutil.copy(CURRENT / name, self.folder)
        lines = gzip.decompress((CURRENT / "s031.csv.gz").read_bytes()).decode().splitlines(keepends=True)
        (self.folder / "other_rail.csv").write_text("# rail: socket3v3\n" + "".join(lines))
        started = [line for line in lines if not line[0].isdigit() or float(line.split(",")[0]) > 0.1]
        (self.folder / "started.csv").write_text("".join(started))
        port = ("--rail", "vbus", "--limit", "500")
        for trace, twin, reason in (("s012.csv.gz", "s022.csv.gz", "does not look like a working board: short on the 5 V side"),
                                    ("s012.csv.gz", "other_rail.csv", "recorded on socket3v3, the trace on vbus"),
                                    ("s012.csv.gz", "started.csv", "it does not show its switch-on"),
                                    ("started.csv", "s031.csv.gz", "this trace does not show its switch-on")):
            with self.subTest(trace=trace, twin=twin):
                result = self.succeed("supply", "diagnose", trace, "--twin", twin, *port)
                self.assertIsNone(result["twin"])
                self.assertIn(reason, " ".join(result["notes"]))
                plotted = self.succeed("supply", "plot", trace, "--twin", twin, "--to", f"{trace}-{twin}.svg", *port)
                self.assertIn(reason, " ".join(plotted["notes"]))
        self.assertEqual(self.succeed("supply", "diagnose", "s012.csv.gz", "--twin", "s031.csv.gz", *port)["notes"], [])

    def test_drawing_is_a_picture_and_replaces_nothing(self):
        shutil.copy(CURRENT / "s001.csv.gz", self.folder)
        shutil.copy(CURRENT / "s031.csv.gz", self.folder)
        self.succeed("supply", "plot", "s001.csv.gz", "--twin", "s031.csv.gz", "--limit", "500", "--rail", "vbus", "--to", "dead.svg")
        root = ElementTree.parse(self.folder / "dead.svg").getroot()
        self.assertTrue(root.tag.endswith("svg"))
        words = " ".join(root.itertext())
        for expected in ("regulator", "seconds after switch-on", "milliseconds after switch-on", "parts from the twin", "s001.csv.gz"):
            self.assertIn(expected, words)
        before = (self.folder / "dead.svg").read_bytes()
        self.refuse("e103", 2, "supply", "plot", "s001.csv.gz", "--to", "dead.svg")
        self.assertEqual((self.folder / "dead.svg").read_bytes(), before)

    def test_traces_that_are_none(self):
        self.refuse("e505", 2, "supply", "diagnose", "nowhere.csv")
        for name, data in (("text.csv", b"dear client\n"), ("empty.csv", b""), ("cut.csv.gz", (CURRENT / "s001.csv.gz").read_bytes()[:40]),
                           ("numbers.csv", b"time_s,current_mA,vbus_V\n0,1,five\n"), ("report.json", b'{"diagnoses": []}\n')):
            with self.subTest(name):
                (self.folder / name).write_bytes(data)
                done = self.run_it("supply", "diagnose", name, "--json")
                self.assertIn(done.code, (2, 7), done.text)
                self.assertIn(name, self.said(self.only_object(done)["error"]))
                if name == "report.json":
                    self.assertIn("this is JSON", self.said(self.only_object(done)["error"]))


if __name__ == "__main__":
    bench.main()
