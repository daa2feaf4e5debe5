"""One holder per board (F-29): whoever comes second is told who holds it, and since when; the board is free when the first is done."""
import os
import signal
import subprocess

import bench
from bench import BLOCKS, CONSENT, PAGES_PER_BLOCK, random_pages


class HeldBoard(bench.BenchTest):
    def setUp(self):
        super().setUp()
        self.board = self.slow_fixture("slow.json", random_pages(BLOCKS * PAGES_PER_BLOCK))

    def start(self, into):
        reading = subprocess.Popen(self.command("chip", "read", "--board", self.board, *CONSENT, "--passes", "99", "--blocks", "0-3", "--into", into,
                                                "--progress", "json", "--json"),
                                   cwd=self.folder, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        self.addCleanup(reading.communicate)
        self.addCleanup(reading.kill)
        return reading

    def test_F29_the_second_is_told_who_and_since_when(self):
        first = self.start("capture")
        self.assertIn("pass 1", first.stderr.readline())
        for command in (("chip", "identify"), ("socket", "check"), ("supply", "record", "--to", "trace.csv")):
            with self.subTest(command):
                found = self.refuse("e308", 9, *command, "--board", self.board)
                self.assertIn(f"steadycell chip.read (process {first.pid}) since 20", found["what"])
                self.assertIn(f"kill {first.pid}", found["next"])
        status = self.succeed("status")
        self.assertEqual([(held["method"], held["process"]) for held in status["boards_held"]], [("chip.read", first.pid)])
        self.assertEqual(status["daemon"] is not None, self.by_daemon)
        self.assertIn("chip.read", self.run_it("status").text)
        first.send_signal(signal.SIGINT)
        out, _ = first.communicate(timeout=120)
        self.assertEqual((first.returncode, '"e107"' in out), (130, True), out)
        self.assertEqual(self.succeed("socket", "check", "--board", self.board)["verdict"], "seated")
        self.assertEqual(self.succeed("status")["boards_held"], [])

    def test_F29_two_at_once_have_one_winner(self):
        readers = [self.start(name) for name in ("one", "two")]
        # The loser ends by itself, the winner reads on.
        while all(reader.poll() is None for reader in readers):
            os.sched_yield()
        loser = next(reader for reader in readers if reader.poll() is not None)
        winner = readers[1 - readers.index(loser)]
        out, _ = loser.communicate(timeout=120)
        self.assertEqual((loser.returncode, '"e308"' in out), (9, True), out)
        self.assertIn(f"process {winner.pid}", out)
        self.assertIsNone(winner.poll())

    def test_a_killed_holder_holds_nothing(self):
        first = self.start("capture")
        self.assertIn("pass 1", first.stderr.readline())
        first.kill()
        first.wait(120)
        self.assertEqual(self.succeed("socket", "check", "--board", self.board)["verdict"], "seated")


if __name__ == "__main__":
    bench.main()
