"""F-26: memory runs out, at one request or from one request on, in `chip read`, `capture settle` and the daemon that reads.

The requests are counted by fail_allocation (tests/faults). Behind each refusal: no crash and no hang, an error that says what
happened, nothing half under a final name, and the same command again ends with the image of an uninterrupted job.
"""
import os
import random
import re
import shutil
import subprocess
import unittest

import bench
from whole_job import TOO_BUSY, WholeJob

LIBRARY = "fail_allocation"
MOMENTS = int(os.environ.get("STEADYCELL_MOMENTS", "50"))  # of each command and way, drawn from all its requests
ALL_FURTHER = 10**9
TOLD = re.compile(r"(?m)^e608 ")


@unittest.skipIf("STEADYCELL_SANITIZED" in os.environ, "a sanitizer has an allocator of its own")
class Memory(WholeJob):
    by_daemon = False

    def asked_at_start(self):
        """Memory for its own start: a command that gets none there has not begun."""
        self.assertEqual(self.run_preloaded(LIBRARY, ("--version",), FAIL_IN="steadycell", FAIL_COUNT=str(self.folder / "count")).code, 0)
        return int((self.folder / "count").read_text())

    def test_F26_in_a_command(self):
        counts = self.count(LIBRARY, "FAIL_COUNT", FAIL_IN="steadycell")
        start = self.asked_at_start()
        for kind in ("read", "settle"):
            (requests,) = counts[kind]
            draw = random.Random(20262)
            ended = 0
            for row in (1, ALL_FURTHER):
                for at in sorted(draw.sample(range(start, requests), MOMENTS)):
                    self.prepare(kind, "short")
                    done = self.run_preloaded(LIBRARY, self.arguments(kind, "short"), FAIL_IN="steadycell", FAIL_AT=str(at), FAIL_ROW=str(row))
                    where = f"{kind}, FAIL_AT={at} FAIL_ROW={row}: {done.code} {done.err}"
                    # A request that a C library can do without, or that this run did not come to, changes nothing.
                    self.assertTrue(done.code in (0, 3, *TOO_BUSY) or done.code == 1 and TOLD.search(done.err), where)
                    ended += done.code == 1
                    self.check_after("short", where)
            print(f"{kind}: {2 * MOMENTS} of {requests - start} requests for memory refused, {ended} jobs ended by it, every image as uninterrupted", flush=True)
            self.assertGreater(ended, MOMENTS)

    def daemon_asked(self, *jobs):
        """How often a daemon asks for memory from its start through these commands to its end."""
        daemon = self.start_daemon(FAIL_COUNT=str(self.folder / "count"))
        for arguments in jobs:
            self.assertIn(self.run_it(*arguments).code, (0, 3))
        self.assertEqual(daemon.end(), 0)
        return int((self.folder / "count").read_text())

    def start_daemon(self, **variables):
        return bench.Daemon(self.runtime, stderr=subprocess.PIPE, environment=self.preloaded(LIBRARY, FAIL_IN="steadycelld", **variables))

    def test_F26_in_the_daemon(self):
        idle = self.daemon_asked()
        requests = self.daemon_asked(self.reading("short"))
        shutil.rmtree(self.folder / "short")
        ended = 0
        for at in sorted(random.Random(20263).sample(range(idle, requests), MOMENTS)):
            daemon = self.start_daemon(FAIL_AT=str(at))
            done = self.run_it(*self.reading("short"))
            where = f"FAIL_AT={at}: {done.code} {done.err}"
            if daemon.process.poll() is None and done.code in (0, *TOO_BUSY):
                daemon.end()
            else:
                said = daemon.process.stderr.read().decode()
                self.assertEqual((daemon.end(), bool(TOLD.search(said))), (1, True), f"{where} {said}")
                self.assertEqual(done.code, 9, where)
                ended += 1
            # A manager starts it again; a command that finds none works by itself, just as well.
            self.check_after("short", where)
        print(f"daemon: {MOMENTS} of {requests - idle} requests for memory refused, it ended {ended} times, every image as uninterrupted", flush=True)
        self.assertGreater(ended, MOMENTS // 2)


if __name__ == "__main__":
    bench.main()
