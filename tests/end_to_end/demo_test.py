"""The demo does the main job on what the Linux kernel wrote, and fails when a recovered file is not what was stored."""
import json
import os
import shutil
import subprocess
import sys

import bench
from bench import BIN, CONSENT, TESTS


class Demo(bench.BenchTest):
    def test_every_file_is_right(self):
        told = self.succeed("demo", "--out", "out")
        self.assertEqual(told["files_right"], 12)
        # Many passes are worth more than one: that is what the bench is for.
        once, often = told["one_pass"]["verdicts"], told["settled"]["verdicts"]
        self.assertEqual(sum(once.values()), sum(often.values()))
        self.assertLess(10 * often["doubtful"], once["doubtful"])
        self.assertEqual(often["unread"], 0)
        script = TESTS / "image/read_bundle.py"
        subprocess.run([sys.executable, "-B", script, self.folder / "out/image"], check=True, stdout=subprocess.DEVNULL)
        before = self.snapshot("out")
        self.refuse("e103", 2, "demo", "--out", "out")
        self.assertEqual(self.snapshot("out"), before)

    def test_on_a_named_board_it_asks_for_the_word_and_leaves_another_chip_alone(self):
        board = self.fixture()
        self.refuse("e306", 6, "demo", "--board", board, "--out", "no-word")
        found = self.refuse("e101", 2, "demo", "--board", board, *CONSENT, "--out", "other")
        self.assertIn("EC 76", found["what"])
        self.assertIn("steadycell-simboard", found["next"])
        self.assertFalse(any((self.folder / name).exists() for name in ("no-word", "other")), "no empty folder is left")

    def test_makes_one_folder_and_no_parents_of_it(self):
        found = self.refuse("e505", 2, "demo", "--out", "a/b/c")
        self.assertIn("a/b", self.said(found))
        self.assertFalse((self.folder / "a").exists())
        self.refuse("e101", 2, "demo", "--board", "bad", "--out", "out")
        self.assertFalse((self.folder / "out").exists())


class WrongFile(bench.BenchTest):
    def test_a_file_that_differs_fails_the_demo(self):
        # An installation of its own: same programs, one expected hash changed.
        (self.folder / "bin").mkdir()
        for program in ("steadycell", "steadycell-simboard"):
            try:
                os.link(BIN / program, self.folder / "bin" / program)
            except OSError:
                shutil.copy(BIN / program, self.folder / "bin")
        shutil.copytree(BIN.parent / "share/steadycell", self.folder / "share/steadycell")
        path = self.folder / "share/steadycell/demo/files.json"
        files = json.loads(path.read_text())
        name, digest = files["files"][3]["name"], files["files"][3]["sha256"]
        files["files"][3]["sha256"] = ("1" if digest[0] != "1" else "2") + digest[1:]
        path.write_text(json.dumps(files))
        done = subprocess.run([self.folder / "bin/steadycell", "demo", "--out", "out", "--json"], cwd=self.folder, capture_output=True,
                              check=False)
        self.assertEqual(done.returncode, 7, done.stdout)
        error = json.loads(done.stdout)["error"]
        self.assertEqual(error["code"], "e504")
        self.assertIn(name, error["what"])


if __name__ == "__main__":
    bench.main()
