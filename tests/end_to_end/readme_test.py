"""README's worked session, run as it stands there: the same commands give the same output, but for times, hashes of this run and rates and the last digits of a capacitor."""
import re
import subprocess

import bench
from bench import BIN, TESTS

README = TESTS.parent / "README.md"
# What differs from run to run: when the journal was written, how long it took, today's date.
CHANGING = ((r"journal head     [0-9a-f]{64}", "journal head     HASH"), (r"in \d+\.\d s", "in N s"), (r"(ohm of [0-9.]+, )\d+\.\d\d uF", r"\1N uF"), (r"check-\d{8}T\d{6}", "check-TIME"),
            (r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{3})?Z", "TIME"), (r"SHA-256 [0-9a-f]{64}\)", "SHA-256 HASH)"),
            (r"\(>?\d+ %( within the model)?\)$", r"(N %\1)"))  # of a trace with noise of its own


def blocks_of(text):
    """[command, lines of output] of each command in the indented blocks of the worked session."""
    session = text.split("## A worked session")[1].split("\n## ")[0]
    found = []
    for line in session.splitlines():
        if line.startswith("    $ "):
            found.append((line[6:], []))
        elif line.startswith("    ") and found:
            found[-1][1].append(line[4:])
    return found


def steady(line):
    for pattern, word in CHANGING:
        line = re.sub(pattern, word, line)
    return line.rstrip()


class Readme(bench.BenchTest):
    maxDiff = None

    def setUp(self):
        super().setUp()
        self.place = self.folder / "build/release"
        self.place.mkdir(parents=True)
        for link, to in ((self.place / "bin", BIN), (self.place / "share", BIN.parent / "share"), (self.folder / "tests", TESTS)):
            link.symlink_to(to)

    def same(self, expected, got, command):
        """Line by line; a line of three dots stands for any number of lines."""
        expected, got = ["\n".join(steady(line) for line in lines if line.strip()) + "\n" for lines in (expected, got)]
        pattern = re.escape(expected).replace(re.escape("...\n"), "(?:.*\\n)*?")
        if not re.fullmatch(pattern, got):
            self.assertEqual(got, expected, command)

    def test_session(self):
        session = blocks_of(README.read_text())
        self.assertGreater(len(session), 12)
        shell = "set -o pipefail\n"
        for command, output in session:
            if command.startswith("cd build/release &&"):
                shell += command.split("&&", 1)[1] + "\n"
                continue
            with self.subTest(command):
                code = 0
                if output and (told := re.fullmatch(r"\(exit (\d+)\)", next((line for line in reversed(output) if line.strip()), ""))):
                    code = int(told[1])
                    output = [line for line in output if not line.startswith("(exit ")]
                done = subprocess.run(["bash", "-c", shell + command], cwd=self.place, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                                      stderr=subprocess.STDOUT, text=True, timeout=120, check=False)
                self.same(output, done.stdout.splitlines(), command)
                self.assertEqual(done.returncode, code, command)


if __name__ == "__main__":
    bench.main()
