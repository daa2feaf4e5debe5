"""README's worked session and the user guide's, run as they stand there: the same commands give the same output, but for
times, hashes of this run and rates and the last digits of a capacitor."""
import re
import subprocess

import bench
from bench import BIN, TESTS

README = TESTS.parent / "README.md"
GUIDE = TESTS.parent / "docs/user-guide.md"
# What differs from run to run: when the journal was written, how long it took, today's date.
CHANGING = ((r"journal head     [0-9a-f]{64}", "journal head     HASH"), (r"in \d+\.\d s", "in N s"), (r"(ohm of [0-9.]+, )\d+\.\d\d uF", r"\1N uF"), (r"check-\d{8}T\d{6}", "check-TIME"),
            (r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{3})?Z", "TIME"), (r"SHA-256 [0-9a-f]{64}\)", "SHA-256 HASH)"),
            (r"^samples          \d+$", "samples          N"), (r"above 0\.\d\d V", "above N V"), (r"^highest          10[01]\.\d mA$", "highest          N mA"), (r"\(>?\d+ %( within the model)?\)$", r"(N %\1)"))  # of a trace with noise of its own


# A computer that needs longer than ten seconds for a step is told how far it is; the pages show one that does not.
HOW_FAR = re.compile(r"\w[\w ]*  \d+ of \d+ \w+(  .*)?")


def commands_in(lines):
    """[command, lines of output] of each command in lines of a session."""
    found = []
    for line in lines:
        if line.startswith("$ "):
            found.append((line[2:], []))
        elif found:
            found[-1][1].append(line)
    return found


def worked_session():
    """The indented blocks of README's."""
    session = README.read_text().split("## A worked session")[1].split("\n## ")[0]
    return commands_in(line[4:] for line in session.splitlines() if line.startswith("    "))


def guide_sessions():
    """The fenced blocks of the guide, up to where it shows a daemon."""
    text = GUIDE.read_text().split("\n## Several windows")[0]
    return [commands_in(block.splitlines()) for block in re.findall(r"^```\n(\$ .*?)^```", text, re.S | re.M)]


def was_too_busy(lines):
    """A computer that cannot keep a board in real time is told so, and it changes what follows: only that is a reason to run a
    session once more. What else differs, differs in the last one, too."""
    return any(re.match(r"e20[24] .*(too busy|let this computer do less)", line) for line in lines)


def steady(line):
    for pattern, word in CHANGING:
        line = re.sub(pattern, word, line)
    return line.rstrip()


class Session(bench.BenchTest):
    maxDiff = None

    def same(self, expected, got, command):
        """Line by line; a line of three dots, or what stands for a line's end, is any number of lines."""
        got = [line for line in got if not HOW_FAR.fullmatch(line)]
        expected, got = ["\n".join(steady(line) for line in lines if line.strip()) + "\n" for lines in (expected, got)]
        pattern = re.escape(expected).replace(re.escape("...\n"), "(?:.*\n)*?")
        if not re.fullmatch(pattern, got):
            self.assertEqual(got, expected, command)

    def bash(self, command, folder):
        return subprocess.run(["bash", "-c", command], cwd=folder, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                              stderr=subprocess.STDOUT, text=True, timeout=120, check=False)


class Readme(Session):
    def run_session(self, folder):
        """[(command, lines shown, exit code shown, what became of it)] of a session in a folder of its own."""
        place = folder / "build/release"
        place.mkdir(parents=True)
        for link, to in ((place / "bin", BIN), (place / "share", BIN.parent / "share"), (folder / "tests", TESTS)):
            link.symlink_to(to)
        shell = f"export STEADYCELL_BENCH={folder}/bench\nset -o pipefail\n"
        done = []
        for command, output in worked_session():
            if command.startswith("cd build/release &&"):
                shell += command.split("&&", 1)[1] + "\n"
                continue
            code = 0
            if output and (told := re.fullmatch(r"\(exit (\d+)\)", next((line for line in reversed(output) if line.strip()), ""))):
                code = int(told[1])
                output = [line for line in output if not line.startswith("(exit ")]
            done.append((command, output, code, self.bash(shell + command, place)))
        return done

    def test_session(self):
        for attempt in range(3):
            done = self.run_session(self.folder / f"readme{attempt}")
            if not any(was_too_busy(got.stdout.splitlines()) for _, _, _, got in done):
                break
        self.assertGreater(len(done), 12)
        for command, output, code, got in done:
            with self.subTest(command):
                self.same(output, got.stdout.splitlines(), command)
                self.assertEqual(got.returncode, code, command)


class Guide(Session):
    # Shown as they come to a bench that something happened to: a busy computer, a damaged disk, another stick's whitened image.
    STAGED = ("e202", "NOT WHOLE", "other-image")

    def run_sessions(self, folder):
        """[(command, lines shown, lines got)] of what is shown as anybody sees it."""
        folder.mkdir()
        (folder / "demo").symlink_to(BIN.parent / "share/steadycell/demo")
        shell = f"export PATH={BIN}:$PATH STEADYCELL_BENCH=bench\n"
        done = []
        for session in guide_sessions():
            staged = any(word in line for command, output in session for line in (command, *output) for word in self.STAGED)
            for command, output in session:
                if "pass1.bin" in command:
                    for number in (1, 2):
                        self.bash(f"{shell} steadycell capture export case7 --pass {number} --to pass{number}.bin", folder)
                if "other-image" not in command:
                    got = self.bash(shell + command, folder).stdout
                    done.append((command, output if not staged else [], got.splitlines()))
        return done

    def test_session(self):
        for attempt in range(3):
            done = self.run_sessions(self.folder / f"guide{attempt}")
            if not any(was_too_busy(got) for _, _, got in done):
                break
        shown = [(command, output, got) for command, output, got in done if output]
        self.assertGreaterEqual(len(shown), 9)
        for command, output, got in shown:
            with self.subTest(command):
                self.same(output, got, command)


if __name__ == "__main__":
    bench.main()
