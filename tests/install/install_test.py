#!/usr/bin/env python3
"""What is installed beside the programs is whole and says what the programs say.

    install_test.py BUILD_FOLDER CMAKE

Installs the build into a folder of its own. Outside sources: udev(7), sd-listen-fds(3) and systemd.exec(5) for the words of rules and
units (systemd-analyze verifies the units where it is there), groff for the manual pages, bash, zsh and fish themselves for the completions.
"""
import gzip
import os
import re
import shutil
import subprocess
import sys
import tempfile
import unittest
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "architecture"))
import check_links  # noqa: E402

BUILD, CMAKE = Path(sys.argv[1]).resolve(), sys.argv[2]
RULES = "lib/udev/rules.d/70-steadycell.rules"


def run(*command, **options):
    return subprocess.run([str(x) for x in command], capture_output=True, text=True, timeout=60, **options)


class Installed(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.keep = tempfile.TemporaryDirectory(prefix="steadycell-install-")
        cls.addClassCleanup(cls.keep.cleanup)
        cls.root = Path(cls.keep.name) / "usr"
        done = run(CMAKE, "--install", BUILD, "--prefix", cls.root)
        assert done.returncode == 0, done.stderr
        cls.program = cls.root / "bin/steadycell"

    def text(self, path):
        return (self.root / path).read_text()

    def manual(self, name):
        return gzip.decompress((self.root / f"share/man/man1/{name}.1.gz").read_bytes()).decode()

    def commands(self):
        """Every command of the tree, asked of --help itself: a group's help lists its verbs."""
        def below(words):
            text = run(self.program, *words, "--help").stdout
            part = text.split("Subcommands:", 1)
            return re.findall(r"^  (\S+)", part[1].split("\nExamples:")[0], re.M) if len(part) == 2 else []
        out = []
        for noun in below([]):
            out += [(noun,)] + [(noun, verb) for verb in below([noun])]
        self.assertIn(("chip", "read"), out)
        self.assertGreater(len(out), 25)
        return out

    def options(self, words):
        """Option names and what stands without a name, as --help has them."""
        text = run(self.program, *words, "--help").stdout.split("Subcommands:")[0].split("\nExamples:")[0]
        return set(re.findall(r"^  (?:-h,)?(--[\w-]+)", text, re.M)), set(re.findall(r"^  ([A-Z]+)(?= )", text, re.M))

    def test_udev_rules(self):
        rules = [line for line in self.text(RULES).splitlines() if line and not line.startswith("#")]
        whole = "\n".join(rules)
        self.assertLess(Path(RULES).name[:2], "73")  # 73-seat-late.rules act on uaccess
        self.assertNotIn("666", whole)
        ids = re.findall(r'id(?:Vendor|Product)\}=="([^"]*)"', whole)
        self.assertEqual(ids, ["1209", "0001"] * 2)
        for value in ids:
            self.assertRegex(value, r"\A[0-9a-f]{4}\Z")
        for subsystem, parent in (("usb", "ATTR{idVendor}"), ("hidraw", "ATTRS{idVendor}")):
            line, = [r for r in rules if f'SUBSYSTEM=="{subsystem}"' in r]
            self.assertIn(parent, line)
            for word in ('TAG+="uaccess"', 'MODE="0660"', 'GROUP="steadycell"'):
                self.assertIn(word, line)
        self.assertIn('ATTR{power/control}="on"', whole)
        for line in rules:  # udev(7): key, operator, value in double quotes, parted by commas
            for part in line.split(", "):
                self.assertRegex(part, r'\A[A-Z]+(\{[\w/]+\})?(==|!=|=|\+=)"[^"]*"\Z')

    def test_units(self):
        service, socket = self.text("lib/systemd/user/steadycelld.service"), self.text("lib/systemd/user/steadycelld.socket")
        for word in ("Type=notify", "Restart=on-failure", f"ExecStart={self.root}/bin/steadycelld"):
            self.assertIn(word, service)
        self.assertRegex(service, r"WatchdogSec=\d+")
        self.assertNotIn("@bindir@", service)
        for word in ("ListenStream=%t/steadycell/steadycelld.socket", "SocketMode=0600", "WantedBy=sockets.target"):
            self.assertIn(word, socket)
        if shutil.which("systemd-analyze"):
            units = [self.root / "lib/systemd/user" / name for name in ("steadycelld.service", "steadycelld.socket")]
            told = run("systemd-analyze", "--user", "verify", "--man=no", "--recursive-errors=no", *units,
                       env={"PATH": os.environ["PATH"], "XDG_RUNTIME_DIR": self.keep.name})
            self.assertEqual((told.returncode, told.stderr), (0, ""))

    def test_manual_pages_say_what_help_says(self):
        for words in [(), *self.commands()]:
            with self.subTest(" ".join(words)):
                page = self.manual("-".join(("steadycell", *words))).replace("\\-", "-")
                self.assertEqual(page.count(".SH NAME"), 1)
                options, names = self.options(words)
                listed = set(re.findall(r"^\.TP\n\\fB(--[\w-]+)\\fR", page, re.M))
                self.assertEqual(listed, options)
                self.assertEqual(set(re.findall(r"^\.TP\n\\fB([A-Z]+)\\fR", page, re.M)), names)
                for example in re.findall(r"^  (steadycell .*)$", run(self.program, *words, "--help").stdout, re.M):
                    self.assertIn(example, page.replace("\\e", "\\"))
        overview = self.manual("steadycell").replace("\\-", "-")
        for words in self.commands():
            self.assertIn(f"\\fB{' '.join(words)}\\fR", overview)
        self.assertIn("EXIT STATUS", overview)

    def test_pages_of_the_other_programs(self):
        for program in ("steadycelld", "steadycell-simboard"):
            with self.subTest(program):
                page = self.manual(program).replace("\\-", "-")
                for option in re.findall(r"(--[\w-]+)", run(self.root / "bin" / program, "--help").stdout):
                    self.assertIn(option, page)

    @unittest.skipUnless(shutil.which("groff"), "groff is not here")
    def test_manual_pages_are_good_roff(self):
        for file in sorted((self.root / "share/man/man1").iterdir()):
            told = run("groff", "-man", "-Tutf8", "-ww", "-z", input=gzip.decompress(file.read_bytes()).decode())
            self.assertEqual((told.returncode, told.stderr), (0, ""), file.name)

    def complete(self, *words):
        script = 'source "$1"; shift; COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); _steadycell; printf "%s\\n" "${COMPREPLY[@]}"'
        file = self.root / "share/bash-completion/completions/steadycell"
        told = run("bash", "--norc", "-c", script, "bash", file, *words, cwd=self.root)
        self.assertEqual((told.returncode, told.stderr), (0, ""))
        return [word for word in told.stdout.splitlines() if word]

    def test_completion_offers_what_help_lists(self):
        commands = self.commands()
        self.assertEqual(set(self.complete("steadycell", "")), {words[0] for words in commands})
        for words in commands:
            with self.subTest(" ".join(words)):
                self.assertEqual(set(self.complete("steadycell", *words, "--")), self.options(words)[0])
                verbs = {other[1] for other in commands if len(other) == 2 and other[0] == words[0]}
                if len(words) == 1 and verbs:
                    self.assertEqual(set(self.complete("steadycell", *words, "")), verbs)

    def test_completion_of_values(self):
        self.assertEqual(self.complete("steadycell", "image", "export", "--what", ""), ["raw", "data", "spare"])
        self.assertEqual(self.complete("steadycell", "chip", "read", "--board", "u"), ["unix:", "usb"])
        self.assertEqual(self.complete("steadycell", "chip", "read", "--board", "sim", ":", "sha"), ["share"])
        self.assertEqual(self.complete("steadycell", "chip", "read", "--quiet", "--pas"), ["--passes"])
        self.assertEqual(self.complete("steadycell", "capture", "settle", "sha"), ["share"])
        self.assertEqual(self.complete("steadycell", "ch"), ["chip"])

    @unittest.skipUnless(shutil.which("zsh"), "zsh is not here")
    def test_completion_of_zsh(self):
        """zsh takes what the function offers and keeps what fits; here we hear what it offers."""
        file = self.root / "share/zsh/vendor-completions/_steadycell"
        self.assertEqual(run("zsh", "-n", file).stderr, "")
        self.assertTrue(file.read_text().startswith("#compdef steadycell\n"))
        script = """compadd() { while [[ $1 != -- ]]; do shift; done; shift; print -rl -- "$@" }
                    compset() { }; _files() { print FILES }
                    file=$1; shift; words=("$@"); CURRENT=$#words; set --; source $file"""

        def offered(*words):
            told = run("zsh", "-f", "-c", script, "zsh", file, "steadycell", *words)
            self.assertEqual((told.returncode, told.stderr), (0, ""))
            return told.stdout.split()

        commands = self.commands()
        self.assertEqual(set(offered("")), {words[0] for words in commands})
        for words in commands:
            with self.subTest(" ".join(words)):
                self.assertEqual(set(offered(*words, "--")), self.options(words)[0])
        self.assertEqual(set(offered("chip", "")), {words[1] for words in commands if words[0] == "chip" and len(words) == 2})
        self.assertEqual(offered("image", "export", "--what", ""), ["raw", "data", "spare"])
        self.assertEqual(offered("chip", "read", "--board", "u"), ["sim:", "tcp:", "unix:", "usb"])
        self.assertEqual(offered("chip", "read", "--quiet", "--pas"), offered("chip", "read", "--"))
        for words in (("capture", "settle", "sha"), ("chip", "read", "--board", "sim:sha"), ("chip", "read", "--into", "")):
            self.assertEqual(offered(*words), ["FILES"])

    @unittest.skipUnless(shutil.which("fish"), "fish is not here")
    def test_completion_of_fish(self):
        file = self.root / "share/fish/vendor_completions.d/steadycell.fish"
        self.assertEqual(run("fish", "--no-config", "-n", file).stderr, "")
        commands = self.commands()
        asked = [("",), *((*words, "--") for words in commands), ("chip", ""), ("image", "export", "--what", ""),
                 ("chip", "read", "--board", "u"), ("chip", "read", "--quiet", "--pas"), ("capture", "settle", "sha")]
        script = "source $argv[1]; for line in $argv[2..]; echo '<'; complete -C \"steadycell $line\"; end"
        told = run("fish", "--no-config", "-c", script, file, *(" ".join(words) for words in asked), cwd=self.root,
                   env=os.environ | {"HOME": self.keep.name})
        self.assertEqual((told.returncode, told.stderr), (0, ""))
        answers = [[line.split("\t")[0] for line in part.splitlines() if line] for part in told.stdout.split("<\n")[1:]]
        offered = dict(zip(asked, answers, strict=True))
        self.assertEqual(set(offered["",]), {words[0] for words in commands})
        for words in commands:
            with self.subTest(" ".join(words)):
                self.assertEqual(set(offered[*words, "--"]), self.options(words)[0])
        self.assertEqual(set(offered["chip", ""]), {words[1] for words in commands if words[0] == "chip" and len(words) == 2})
        self.assertEqual(set(offered["image", "export", "--what", ""]), {"raw", "data", "spare"})
        self.assertEqual(set(offered["chip", "read", "--board", "u"]), {"unix:", "usb"})
        self.assertEqual(offered["chip", "read", "--quiet", "--pas"], ["--passes"])
        self.assertEqual(offered["capture", "settle", "sha"], ["share/"])

    def test_documents(self):
        folder = self.root / "share/doc/steadycell"
        for name in ("copyright", "changelog.gz", "README.md", "docs/user-guide.md", "docs/safety.md", "firmware_protocol/PROTOCOL.md"):
            self.assertTrue((folder / name).is_file(), name)
        self.assertEqual(check_links.problems_in(folder.resolve()), [], "a link of an installed page leads nowhere")
        self.assertTrue((self.root / "share/steadycell/demo/fixture.json").is_file())


if __name__ == "__main__":
    unittest.main(argv=[sys.argv[0], "-v"])
