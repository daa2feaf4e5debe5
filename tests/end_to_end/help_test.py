"""Every command explains itself with an example that the program understands."""
import os
import shlex
import subprocess

import bench

COMMANDS = ["chip identify", "chip decode", "chip read", "capture import", "capture settle", "capture export",
            "capture verify", "image show", "image verify", "image assess", "image export", "ecc find", "ecc check",
            "supply cold", "supply record", "supply diagnose", "supply keep-twin", "supply drop-twin", "supply plot",
            "socket check", "socket judge", "board list", "board check", "board conform", "status", "doctor", "demo"]
ALONE = ["board list", "status", "doctor"]  # look at this installation, and need no file


class Help(bench.BenchTest):
    def test_each_command(self):
        for command in COMMANDS:
            with self.subTest(command):
                done = self.run_it(*command.split(), "--help")
                self.assertEqual((done.code, done.err), (0, ""))
                examples = [line.strip() for line in done.text.split("Examples:")[1].splitlines() if line.strip().startswith("steadycell ")]
                self.assertTrue(examples)
                for example in examples:
                    self.assertTrue(example.startswith(f"steadycell {command}"), example)
                for option in ("--json", "--help"):
                    self.assertIn(option, done.text)
                self.assertLessEqual(max(map(len, done.text.splitlines())), 140)

    def test_examples_are_understood(self):
        # Run where their files are missing, examples must fail on a file, never as wrong use.
        for command in COMMANDS[:-1]:
            text = self.run_it(*command.split(), "--help").text
            for line in text.split("Examples:")[1].splitlines():
                arguments = shlex.split(line.split("|")[0])[1:]
                if arguments:
                    with self.subTest(line.strip()):
                        done = self.run_it(*arguments)
                        self.assertNotIn("e101", done.err)
                        self.assertTrue(done.code != 0 or "--id" in arguments or command in ALONE)

    def test_the_whole(self):
        done = self.run_it("--help")
        self.assertEqual((done.code, done.err), (0, ""))
        for word in ("chip", "capture", "image", "supply", "socket", "status", "doctor", "demo", "Exit codes", "130"):
            self.assertIn(word, done.text)
        for group in ("chip", "capture", "image", "supply", "socket", "board"):
            self.assertEqual(self.run_it(group, "--help").code, 0)

    def test_version(self):
        done = self.run_it("--version")
        self.assertEqual((done.code, done.err), (0, ""))
        self.assertRegex(done.text, r"\Asteadycell \d+\.\d+\.\d+\n\Z")

class Followed(bench.BenchTest):
    """What --help shows works when it is followed, on a simulated bench that has the files it names."""

    # Only the first of these is meant to end with something to decide, or to settle for less.
    MAY_END = {"steadycell chip identify --board sim:fixture.json": 6, "steadycell socket check --board sim:fixture.json --map tsop48-x8-2ce --svg contacts.svg": 6}

    def follow(self, *commands):
        for command in commands:
            text = self.run_it(*command.split(), "--help").text.split("Examples:")[1].split("\n\n")[0]
            for line in (line.strip() for line in text.splitlines()):
                if not line.startswith("steadycell ") or any(word in line for word in ("--ecc", "--unwhiten", "--reference")):  # of another case
                    continue
                with self.subTest(line):
                    done = subprocess.run(["bash", "-c", "set -o pipefail; " + line], cwd=self.folder, stdin=subprocess.DEVNULL, capture_output=True, text=True,
                                          timeout=120, check=False, env=os.environ | {"PATH": f"{bench.BIN}:{os.environ['PATH']}"})
                    allowed = {self.MAY_END[line]} if line in self.MAY_END else {0, 3}
                    self.assertIn(done.returncode, allowed, done.stdout + done.stderr)

    def test_from_the_socket_to_the_image(self):
        self.fixture(content=bench.random_pages(200 * bench.PAGES_PER_BLOCK), target=bench.SMALL | {"geometry": bench.SMALL["geometry"] | {"blocks": 200}})
        self.follow("socket check", "chip identify", "chip read", "capture settle", "capture export", "image show", "image verify", "image assess")
        (self.folder / "data.bin").unlink(missing_ok=True)
        self.follow("image export")

    def test_the_stick(self):
        self.fixture(chip=False, patient={"circuit": {}})
        self.follow("supply cold", "supply record")
        (self.folder / "trace.csv.gz").rename(self.folder / "good.csv.gz")
        self.follow("supply keep-twin")

    def test_the_board_and_what_needs_none(self):
        self.fixture(chip=False, board={"port_load_ohm": 100, "port_load_uF": 10})
        page = (bench.DATA / "onfi-pages/MT29F2G08ABBEAHC.hex").read_text()
        (self.folder / "page.bin").write_bytes(bytes.fromhex("".join(line for line in page.splitlines() if not line.startswith("#"))))
        self.follow("board list", "board check", "chip decode", "status")


if __name__ == "__main__":
    bench.main()
