"""A whole job, `chip read` and `capture settle`, that faults strike in the middle: its bench, how it is gone on with, and what must
hold behind each fault: nothing half under a final name, and the image of an uninterrupted job in the end."""
import os
import shutil
import subprocess
import sys

import bench
from bench import PAGES_PER_BLOCK, SMALL, TESTS, WEAK, random_pages

BLOCKS, PASSES = 2, 2
# A 1.8 V part: powered once, so that a read takes the shortest time. Its ID is that of data sheets of 64 MiB parts.
TARGET = {"id_bytes": "EC 36", "geometry": SMALL["geometry"] | {"blocks": BLOCKS}}
IMAGE_FILES = ("pages.raw", "corrections.xor.zst", "verdicts.csv", "margins.bin", "blocks.sha256")
# A machine too busy for the heartbeat costs the chip its power (e202, e303), and a daemon that is just ending answers no more
# (e603): the command is given again, as a person would.
TOO_BUSY, TRIES = (4, 6, 9), 30


class WholeJob(bench.BenchTest):
    def setUp(self):
        super().setUp()
        content = random_pages(BLOCKS * PAGES_PER_BLOCK)
        self.board = self.fixture(content=content, target=TARGET, supply_mV=1800, cells=WEAK)
        self.reference = self.finish("whole")

    def reading(self, capture):
        return ("chip", "read", "--board", self.board, "--passes", PASSES, "--blocks", f"0-{BLOCKS - 1}", "--into", capture)

    def settling(self, capture):
        return ("capture", "settle", capture, "--image", f"{capture}-image")

    def arguments(self, kind, capture):
        return self.reading(capture) if kind == "read" else self.settling(capture)

    def preloaded(self, library, **variables):
        """The environment of a program that has one of the libraries of tests/faults in front of the C library."""
        environment = dict(os.environ, LD_PRELOAD=os.path.join(os.environ["STEADYCELL_TEST_BIN"], f"lib{library}.so"), **variables)
        options = environment.get("ASAN_OPTIONS", "")
        environment["ASAN_OPTIONS"] = f"{options}:verify_asan_link_order=0"
        return environment

    def run_preloaded(self, library, arguments, **variables):
        return self.run_it(*arguments, env=self.preloaded(library, **variables))

    def finish(self, capture):
        """Reads and settles to the end, as if nothing had been; the files of the image that hold what was read."""
        for kind in ("read", "settle"):
            if kind == "settle" and (self.folder / f"{capture}-image").exists():
                continue
            for _ in range(TRIES):
                code = self.run_it(*self.arguments(kind, capture)).code
                if code not in TOO_BUSY:
                    break
            self.assertIn(code, (0, 3), f"{capture}: {kind}")  # 3: without a code no wavering page is sure
        return {name: (self.folder / f"{capture}-image" / name).read_bytes() for name in IMAGE_FILES}

    def count(self, library, variable, **variables):
        """What a whole, undisturbed command leaves in the file that `variable` names, for each kind of command."""
        counts = {}
        for kind in ("read", "settle"):
            for _ in range(TRIES):
                code = self.run_preloaded(library, self.arguments(kind, "counted"), **{variable: str(self.folder / "count")}, **variables).code
                if code not in TOO_BUSY:
                    break
                shutil.rmtree(self.folder / "counted", ignore_errors=True)  # what is counted is a whole job
            self.assertIn(code, (0, 3), f"counting: {kind}")
            counts[kind] = tuple(map(int, (self.folder / "count").read_text().split()))
        shutil.rmtree(self.folder / "counted")
        shutil.rmtree(self.folder / "counted-image")
        return counts

    def prepare(self, kind, capture):
        """In front of a fault in `capture settle` the capture is whole."""
        if kind == "settle":
            shutil.copytree(self.folder / "whole", self.folder / capture)

    def check_after(self, capture, where):
        """No half thing under a final name, and the job goes on to the same image."""
        if (self.folder / capture).exists():
            self.assertEqual({"capture.json", "journal"} - set(os.listdir(self.folder / capture)), set(), where)
            by_document = subprocess.run([sys.executable, TESTS / "passes/read_capture.py", self.folder / capture], capture_output=True, text=True, check=False)
            self.assertEqual((by_document.returncode, by_document.stderr), (0, ""), where)
        if (self.folder / f"{capture}-image").exists():
            self.assertEqual(self.run_it("image", "verify", f"{capture}-image").code, 0, where)
        self.assertEqual(self.finish(capture) == self.reference, True, where)
        self.assertEqual(self.run_it("image", "verify", f"{capture}-image").code, 0, where)
        self.assertEqual([name for name in os.listdir(self.folder) if "partial" in name], [], f"{where}: left behind")
        shutil.rmtree(self.folder / capture)
        shutil.rmtree(self.folder / f"{capture}-image")
