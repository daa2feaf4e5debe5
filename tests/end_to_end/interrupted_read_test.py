"""A read that is stopped half-way goes on with the same command and ends with the very same image."""
import json
import signal
import subprocess

import bench
from bench import CONSENT, PAGES_PER_BLOCK, SMALL, WEAK, random_pages

BLOCKS, PASSES = 16, 3
SLOW = {"mode": 0, "t_read_us": 2000}  # about 1 s a pass


class Interrupted(bench.BenchTest):
    def setUp(self):
        super().setUp()
        content = random_pages(BLOCKS * PAGES_PER_BLOCK)
        target = SMALL | {"geometry": SMALL["geometry"] | {"blocks": BLOCKS}}
        self.fast = self.fixture("fast.json", content=content, target=target, cells=WEAK)
        # The same chip, seed and cells, only at the speed of a slow part.
        fixture = json.loads((self.folder / "fast.json").read_text())
        fixture["timed"] = True
        fixture["chip"]["timing"] = SLOW
        (self.folder / "slow.json").write_text(json.dumps(fixture))
        self.slow = "sim:slow.json"

    def arguments(self, board, into):
        return ("chip", "read", "--board", board, *CONSENT, "--passes", PASSES, "--blocks", f"0-{BLOCKS - 1}", "--into", into)

    def stop_in_pass(self, number, how, *options):
        """Starts the slow read, stops it soon after the given pass began; returns it with what it said."""
        reading = subprocess.Popen(self.command(*self.arguments(self.slow, "capture"), "--progress", "json", *options), cwd=self.folder,
                                   stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        self.addCleanup(reading.kill)
        said = []
        for line in reading.stderr:
            said.append(line)
            if f"pass {number} of" in line:
                break
        else:
            self.fail(f"pass {number} was never reported: {reading.stdout.read()} {said[-3:]}")
        reading.send_signal(how)
        out, err = reading.communicate(timeout=30)
        return reading.returncode, out, err

    def settle(self, capture, image):
        return self.succeed("capture", "settle", capture, "--image", image, code=3)["sha256"]

    def test_F44_goes_on_to_the_same_image(self):
        self.assertEqual(self.run_it(*self.arguments(self.fast, "whole")).code, 0)
        whole = self.settle("whole", "whole-image")

        code, out, err = self.stop_in_pass(2, signal.SIGINT)
        self.assertEqual((code, out), (130, ""))
        self.assertIn("e107", err)
        self.assertIn("same command", err)  # how to go on
        code, out, err = self.stop_in_pass(2, signal.SIGHUP)  # the terminal was closed
        self.assertEqual((code, out), (129, ""))
        self.assertIn("e107", err)
        code, out, err = self.stop_in_pass(2, signal.SIGTERM, "--json")
        self.assertEqual(code, 143)
        self.assertEqual(json.loads(out)["error"]["code"], "e107")
        self.assertTrue(json.loads(out)["error"]["kept"])

        told = self.succeed(*self.arguments(self.fast, "capture"))
        self.assertGreaterEqual(told["units_held"], BLOCKS)
        self.assertLess(told["units_held"], BLOCKS * PASSES)
        self.assertEqual(told["units_held"] + told["units_read"], BLOCKS * PASSES)
        self.assertEqual(self.settle("capture", "capture-image"), whole)

    def test_F21_killed_hard_loses_at_most_the_unit_in_flight(self):
        code, _, _ = self.stop_in_pass(2, signal.SIGKILL)
        self.assertEqual(code, -signal.SIGKILL)
        told = self.succeed(*self.arguments(self.fast, "capture"))
        self.assertGreaterEqual(told["units_held"], BLOCKS)  # pass 1 is whole
        self.assertEqual(told["units_held"] + told["units_read"], BLOCKS * PASSES)
        self.assertEqual(self.run_it(*self.arguments(self.fast, "whole")).code, 0)
        self.assertEqual(self.settle("capture", "capture-image"), self.settle("whole", "whole-image"))

    def test_F44_a_stopped_capture_settles_as_far_as_it_goes(self):
        self.stop_in_pass(1, signal.SIGINT)
        refused = self.run_it("capture", "settle", "capture", "--image", "image")
        self.assertEqual(refused.code, 2)
        self.assertIn("--allow-partial", refused.err)
        found = self.succeed("capture", "settle", "capture", "--image", "image", "--allow-partial", code=3)
        self.assertTrue(found["partial"])
        self.assertTrue(any("pass 1 was not finished" in note for note in found["notes"]), found["notes"])
        self.assertGreater(found["verdicts"]["doubtful"] + found["verdicts"]["unread"], 0)
        self.assertEqual(found["verdicts"]["steady"], 0)  # nothing was read twice


if __name__ == "__main__":
    bench.main()
