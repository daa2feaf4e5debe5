"""Recording and diagnosing the supply of a dead stick: boards simulated with ngspice (tests/data/current), by commands."""
import csv
import shutil

import bench
from bench import DATA

CURRENT = DATA / "current"


class Supply(bench.BenchTest):
    def patient(self, name):
        shutil.copy(CURRENT / name, self.folder)
        return self.fixture(chip=False, patient={"trace_csv": name})

    def test_recorded_patients_are_told_apart(self):
        labels = {row["file"]: row["label"] for row in csv.DictReader((CURRENT / "labels.csv").read_text().splitlines())}
        for name, fault in (("s006.csv.gz", "vbus_short"), ("s017.csv.gz", "open_path")):
            with self.subTest(fault):
                self.assertEqual(labels[name], fault)
                trace = f"{fault}.csv.gz"
                recorded = self.succeed("supply", "record", "--board", self.patient(name), "--to", trace, "--seconds", "1")
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

    def test_traces_that_are_none(self):
        self.refuse("e505", 2, "supply", "diagnose", "nowhere.csv")
        for name, data in (("text.csv", b"dear client\n"), ("empty.csv", b""), ("cut.csv.gz", (CURRENT / "s001.csv.gz").read_bytes()[:2000]),
                           ("numbers.csv", b"time_s,current_mA,vbus_V\n0,1,five\n")):
            with self.subTest(name):
                (self.folder / name).write_bytes(data)
                done = self.run_it("supply", "diagnose", name, "--json")
                self.assertIn(done.code, (2, 7), done.text)
                self.assertIn(name, self.said(self.only_object(done)["error"]))


if __name__ == "__main__":
    bench.main()
