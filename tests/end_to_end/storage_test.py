"""A disk that is full, a folder that may not be written, a reader that hangs up: clear, and nothing lost.

The full disk is played by RLIMIT_FSIZE: a write beyond it fails with EFBIG, as on a file system with a size limit.
"""
import os
import resource
import signal
import subprocess

import bench
from bench import BLOCKS, CONSENT, PAGES_PER_BLOCK, RAW, random_pages

PAGES = BLOCKS * PAGES_PER_BLOCK


def at_most(size):
    def limit():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
    return limit


class FullDisk(bench.BenchTest):
    def setUp(self):
        super().setUp()
        self.content = random_pages(PAGES)
        self.board = self.fixture(content=self.content)

    def refused(self, *arguments, size):
        done = self.run_it(*arguments, "--json", preexec_fn=at_most(size))
        self.assertEqual(done.code, 8, f"{done.text} {done.err}")
        error = self.only_object(done)["error"]
        self.assertIn(error["code"], ("e501", "e502"))
        self.assertTrue(error["what"])
        return error

    def test_F23_while_reading(self):
        read = ("chip", "read", "--board", self.board, *CONSENT, "--passes", "2", "--blocks", "0-3", "--into", "capture")
        error = self.refused(*read, size=RAW * PAGES_PER_BLOCK * 2 + RAW)
        self.assertTrue(error["kept"], "says what is safe")
        told = self.read(self.board)  # with room again the same command goes on
        self.assertEqual(told["units_held"] + told["units_read"], 2 * BLOCKS)
        self.succeed("capture", "settle", "capture", "--image", "image")
        self.assertEqual((self.folder / "image/pages.raw").read_bytes(), self.content)

    def test_F23_while_settling_and_exporting(self):
        self.read(self.board)
        before = self.snapshot("capture")
        self.refused("capture", "settle", "capture", "--image", "image", size=len(self.content) // 2)
        self.assertFalse((self.folder / "image").exists(), "no half image")
        self.assertEqual(self.snapshot("capture"), before)
        self.succeed("capture", "settle", "capture", "--image", "image")
        self.refused("image", "export", "image", "--what", "raw", "--to", "raw.bin", size=len(self.content) // 2)
        self.assertEqual(sorted(path.name for path in self.folder.iterdir()), ["capture", "fixture.json", "fixture.json.raw", "image"])

    def test_standard_output_that_is_full(self):
        self.settled(self.content)
        with open("/dev/full", "wb") as full:
            done = subprocess.run(self.command("image", "export", "image", "--what", "raw", "--to", "-"), cwd=self.folder, stdout=full, stderr=subprocess.PIPE, check=False)
            self.assertEqual(done.returncode, 8)
            self.assertIn(b"e50", done.stderr)
            done = subprocess.run(self.command("image", "show", "image", "--json"), cwd=self.folder, stdout=full, stderr=subprocess.PIPE, check=False)
            self.assertEqual(done.returncode, 8, "an answer that nobody got is no success")


class Pipes(bench.BenchTest):
    def test_F45_reader_that_has_enough(self):
        self.settled(random_pages(PAGES))
        for arguments in (("image", "show", "image"), ("image", "export", "image", "--what", "raw", "--to", "-")):
            with self.subTest(arguments=arguments):
                reader, writer = os.pipe()
                os.close(reader)
                done = subprocess.run(self.command(*arguments), cwd=self.folder, stdout=writer, stderr=subprocess.PIPE, check=False)
                os.close(writer)
                self.assertEqual(done.stderr, b"")
                self.assertIn(done.returncode, (0, -signal.SIGPIPE))


class Permission(bench.BenchTest):
    def test_F25_folder_that_may_not_be_written(self):
        self.settled(random_pages(PAGES))
        self.folder.chmod(0o755)
        (self.folder / "locked").mkdir(mode=0o555)
        # Root may write everywhere, so a test that runs as root asks as somebody else (65534: nobody).
        somebody = {"user": 65534, "group": 65534, "extra_groups": []} if os.geteuid() == 0 else {}
        try:
            for command in (("capture", "settle", "capture", "--image", "locked/image"), ("image", "export", "image", "--what", "raw", "--to", "locked/x")):
                self.refuse("e507", 5, *command, **somebody)
        except PermissionError:
            self.skipTest("the programs lie where nobody may run them")
        self.assertEqual(list((self.folder / "locked").iterdir()), [])


class TwoAtOnce(bench.BenchTest):
    def test_capture_that_another_program_reads_into(self):
        board = self.slow_fixture("slow.json", random_pages(PAGES))
        read = ("chip", "read", "--board", board, *CONSENT, "--passes", "99", "--blocks", "0-3", "--into", "capture")
        first = subprocess.Popen(self.command(*read, "--progress", "json"), cwd=self.folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        self.addCleanup(first.stderr.close)
        self.addCleanup(first.wait, 30)
        self.addCleanup(first.kill)
        self.assertIn("pass 1", first.stderr.readline())
        self.refuse("e506", 9, *read)


if __name__ == "__main__":
    bench.main()
