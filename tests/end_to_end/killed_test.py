"""F-21: SIGKILL in front of changes to the disk and in the middle of writes, of `chip read` and of `capture settle`.

The places are counted in calls and bytes, by kill_at (tests/faults), so that they are the same on a busy machine. Behind
each: nothing half under a final name, and the same command again ends with the image of an uninterrupted job.
"""
import random
import shutil
import signal

import bench
from whole_job import TOO_BUSY, TRIES, WholeJob

MOMENTS = 25  # of each command, drawn from all bytes that it writes


class Killed(WholeJob):
    def setUp(self):
        super().setUp()
        self.counts = self.count("kill_at", "KILL_COUNT")

    def kill(self, kind, variable, at):
        capture = "killed"
        self.prepare(kind, capture)
        for _ in range(TRIES):
            code = self.run_preloaded("kill_at", self.arguments(kind, capture), **{variable: str(at)}).code
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
