"""F-21: SIGKILL in front of changes to the disk and in the middle of writes, of `chip read` and of `capture settle`.

The places are counted in calls and bytes, by kill_at (tests/faults), so that they are the same on a busy machine. Behind
each: nothing half under a final name, and the same command again ends with the image of an uninterrupted job.
"""
import os
import random
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import bench
from bench import PAGES_PER_BLOCK, SMALL, TESTS, WEAK, random_pages

KILL_AT = Path(os.environ["STEADYCELL_TEST_BIN"]) / "libkill_at.so"
BLOCKS, PASSES = 2, 2
# A 1.8 V part: powered once, so that a read takes the shortest time. Its ID is that of data sheets of 64 MiB parts.
TARGET = {"id_bytes": "EC 36", "geometry": SMALL["geometry"] | {"blocks": BLOCKS}}
IMAGE_FILES = ("pages.raw", "corrections.xor.zst", "verdicts.csv", "margins.bin", "blocks.sha256")
MOMENTS = 25  # of each command, drawn from all bytes that it writes
# A machine too busy for the heartbeat costs the chip its power (e202, e303): the command is given again, as a person would.
TOO_BUSY, TRIES = (4, 6), 30


class Killed(bench.BenchTest):
    def setUp(self):
        super().setUp()
        content = random_pages(BLOCKS * PAGES_PER_BLOCK)
        self.board = self.fixture(content=content, target=TARGET, supply_mV=1800, cells=WEAK)
        self.counts = {}
        self.reference = self.finish("whole", count=True)

    def reading(self, capture):
        return ("chip", "read", "--board", self.board, "--passes", PASSES, "--blocks", f"0-{BLOCKS - 1}", "--into", capture)

    def settling(self, capture):
        return ("capture", "settle", capture, "--image", f"{capture}-image")

    def run_counted(self, kind, arguments, **variables):
        environment = dict(os.environ, LD_PRELOAD=str(KILL_AT), **variables)
        options = environment.get("ASAN_OPTIONS", "")
        environment["ASAN_OPTIONS"] = f"{options}:verify_asan_link_order=0"
        done = self.run_it(*arguments, env=environment)
        if "KILL_COUNT" in variables:
            self.counts[kind] = tuple(map(int, (self.folder / "count").read_text().split()))
        return done.code

    def finish(self, capture, count=False):
        """Reads and settles to the end, as if nothing had been; the files of the image that hold what was read."""
        for kind, arguments in (("read", self.reading(capture)), ("settle", self.settling(capture))):
            if kind == "settle" and (self.folder / f"{capture}-image").exists():
                continue
            for _ in range(TRIES):
                if count:
                    code = self.run_counted(kind, arguments, KILL_COUNT=str(self.folder / "count"))
                else:
                    code = self.run_it(*arguments).code
                if code not in TOO_BUSY:
                    break
                if count:
                    shutil.rmtree(self.folder / capture, ignore_errors=True)  # what is counted is a whole job
            self.assertIn(code, (0, 3), f"{capture}: {kind}")  # 3: without a code no wavering page is sure
        return {name: (self.folder / f"{capture}-image" / name).read_bytes() for name in IMAGE_FILES}

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

    def kill(self, kind, variable, at):
        capture = "killed"
        if kind == "settle":
            shutil.copytree(self.folder / "whole", self.folder / capture)
        arguments = self.reading(capture) if kind == "read" else self.settling(capture)
        for _ in range(TRIES):
            code = self.run_counted(kind, arguments, **{variable: str(at)})
            if code not in TOO_BUSY:
                break
            shutil.rmtree(self.folder / capture, ignore_errors=True)  # only a read needs the board
        self.assertEqual(code, -signal.SIGKILL, f"{kind}, {variable}={at}")
        self.check_after(capture, f"{kind}, {variable}={at}")

    def test_F21_in_front_of_changes_to_the_disk(self):
        for kind in ("read", "settle"):
            calls, _ = self.counts[kind]
            for at in range(1, calls + 1):
                self.kill(kind, "KILL_AT_CALL", at)
            print(f"{kind}: killed in front of each of {calls} changes to the disk, every image as uninterrupted", flush=True)

    def test_F21_at_random_moments_of_writing(self):
        draw = random.Random(20261)
        for kind in ("read", "settle"):
            _, written = self.counts[kind]
            moments = sorted(draw.sample(range(1, written), MOMENTS))
            for at in moments:
                self.kill(kind, "KILL_AT_BYTE", at)
            print(f"{kind}: killed at {len(moments)} random bytes of {written} written, every image as uninterrupted", flush=True)


if __name__ == "__main__":
    bench.main()
