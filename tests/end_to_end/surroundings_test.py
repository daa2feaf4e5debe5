"""What lies around a job: locale and time zone, a second signal, a folder that goes away while it is read into."""
import os
import shutil
import signal
import subprocess

import bench
from bench import BLOCKS, CONSENT, PAGES_PER_BLOCK, WEAK, random_pages

PAGES = BLOCKS * PAGES_PER_BLOCK


class Environment(bench.BenchTest):
    def test_F43_locale_and_time_zone_change_no_file(self):
        content = random_pages(PAGES)
        self.read(self.fixture(content=content, cells=WEAK), 3)
        plain = None
        for number, variables in enumerate(({"LC_ALL": "C", "TZ": "UTC"}, {"LC_ALL": "tr_TR.UTF-8", "TZ": "Asia/Kolkata"}, {"LC_ALL": "de_DE.UTF-8", "LC_NUMERIC": "de_DE.UTF-8", "TZ": "America/St_Johns"},
                                            {"LANG": "xx_XX", "LC_ALL": "", "TZ": "nowhere"})):
            image = f"image-{number}"
            self.succeed("capture", "settle", "capture", "--image", image, code=3, env=dict(os.environ, **variables))
            files = self.snapshot(image)
            plain = plain or files
            self.assertEqual(files, plain, variables)
            told = self.run_it("image", "show", image, env=dict(os.environ, **variables)).text.replace(image, "image")
            self.assertEqual(told, self.run_it("image", "show", "image-0").text.replace("image-0", "image"), variables)


class Reading(bench.BenchTest):
    def start(self, *options):
        """A slow read, as soon as its second pass has begun."""
        board = self.slow_fixture("slow.json", random_pages(PAGES))
        reading = subprocess.Popen(self.command("chip", "read", "--board", board, *CONSENT, "--passes", "200", "--blocks", f"0-{BLOCKS - 1}", "--into", "capture", "--progress", "json", *options),
                                   cwd=self.folder, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        self.addCleanup(reading.stdout.close)
        self.addCleanup(reading.stderr.close)
        self.addCleanup(reading.wait, 60)
        self.addCleanup(reading.kill)
        for line in reading.stderr:
            if "pass 2 of" in line:
                return reading
        self.fail("no second pass")

    def goes_on(self):
        told = self.read(self.fixture("fast.json", content=random_pages(PAGES)), passes=3)
        self.assertGreaterEqual(told["units_held"], BLOCKS)

    def test_F44_a_second_signal_ends_it_at_once_and_nothing_is_lost(self):
        reading = self.start("--json")
        # Stopped in between, the process sees both signals before it can do anything.
        reading.send_signal(signal.SIGSTOP)
        reading.send_signal(signal.SIGTERM)
        reading.send_signal(signal.SIGINT)
        reading.send_signal(signal.SIGCONT)
        out, _ = reading.communicate(timeout=60)
        self.assertIn(reading.returncode, (130, 143))
        self.assertEqual(out, "", "no time for words")
        self.goes_on()

    def test_F25_a_folder_that_goes_away_stops_the_read(self):
        for way in ("moved", "deleted"):
            with self.subTest(way):
                reading = self.start("--json")
                if way == "moved":
                    (self.folder / "capture").rename(self.folder / "elsewhere")
                else:
                    shutil.rmtree(self.folder / "capture")
                out, err = reading.communicate(timeout=60)
                self.assertIn(reading.returncode, (2, 8), out + err)
                self.assertIn('"error"', out)
                self.assertFalse((self.folder / "capture").exists(), "nothing is made anew in its place")
                if way == "moved":
                    (self.folder / "elsewhere").rename(self.folder / "capture")
                    self.goes_on()
                    shutil.rmtree(self.folder / "capture")


if __name__ == "__main__":
    bench.main()
