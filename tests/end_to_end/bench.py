"""What the end-to-end tests share: a folder of their own, fixtures made in it, and the built program run there.

STEADYCELL_BIN names the folder of the built programs. With STEADYCELL_WAY=daemon each test has a daemon of its own, and
commands that need a board must go through it. Python standard library only.
"""
import contextlib
import json
import os
import random
import resource
import signal
import socket
import subprocess
import tempfile
import unittest
import unittest.mock
from pathlib import Path

BIN = Path(os.environ["STEADYCELL_BIN"])
STEADYCELL = BIN / "steadycell"
STEADYCELLD = BIN / "steadycelld"
SIMBOARD = BIN / "steadycell-simboard"
BY_DAEMON = os.environ.get("STEADYCELL_WAY") == "daemon"
TESTS = Path(__file__).resolve().parent.parent
DATA = TESTS / "data"
CONSENT = ("--supply-mV", "3300")

# A 64 MiB small-page chip (ID: data sheet of 512 + 16 byte parts, device code 76h) of which a few blocks exist.
PAGE, SPARE, PAGES_PER_BLOCK, BLOCKS = 512, 16, 32, 4
RAW = PAGE + SPARE
SMALL = {"id_bytes": "EC 76",
         "geometry": {"page_bytes": PAGE, "spare_bytes": SPARE, "pages_per_block": PAGES_PER_BLOCK, "blocks": BLOCKS,
                      "column_cycles": 1, "row_cycles": 3}}
# Real weak cells are few; these are many, so that a small chip shows all that can happen.
WEAK = {"model": "simple", "marginal_fraction": 2e-3, "flip_probability": [0.05, 0.3]}


def random_pages(pages, raw=RAW, seed=1):
    return random.Random(seed).randbytes(raw * pages)


class Finished:
    def __init__(self, code, out, err):
        self.code, self.out, self.err = code, out, err

    @property
    def text(self):
        return self.out.decode()

    @property
    def json(self):
        return json.loads(self.out)


class Daemon:
    """A running steadycelld, started as a service manager would."""

    def __init__(self, runtime, *arguments, stderr=None, environment=(), **options):
        self.socket_path = runtime / "steadycell/steadycelld.socket"
        self.manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.manager.bind(str(runtime / "notify"))
        self.manager.settimeout(120)
        self.process = subprocess.Popen([STEADYCELLD, *map(str, arguments)], cwd="/", stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=stderr,
                                        env=os.environ | {"NOTIFY_SOCKET": str(runtime / "notify")} | dict(environment), **options)
        self.wait_for("READY=1")

    def wait_for(self, word):
        while word not in (told := self.manager.recv(4096).decode()):
            assert self.process.poll() is None or word == "STOPPING=1", f"the daemon ended before it said {word}: {told}"

    def end(self, how=signal.SIGTERM):
        """Ends it; returns its exit code."""
        if self.process.poll() is None:
            self.process.send_signal(how)
        code = self.process.wait(120)
        if self.process.stderr:
            self.process.stderr.close()
        self.manager.close()
        (self.socket_path.parent.parent / "notify").unlink(missing_ok=True)
        return code


class BenchTest(unittest.TestCase):
    """Each test has an empty folder, in which the program runs."""

    by_daemon = BY_DAEMON  # a class that looks after its own daemons says False

    def setUp(self):
        folder, runtime = (tempfile.TemporaryDirectory(prefix="steadycell-") for _ in range(2))
        self.addCleanup(folder.cleanup)
        self.addCleanup(runtime.cleanup)
        self.folder, self.runtime = Path(folder.name), Path(runtime.name)
        here = unittest.mock.patch.dict(os.environ, XDG_RUNTIME_DIR=runtime.name, XDG_CONFIG_HOME=runtime.name,
                                        STEADYCELL_BENCH=str(self.folder / "bench"))
        here.start()
        self.addCleanup(here.stop)
        self.daemon = None
        if self.by_daemon:
            os.environ["STEADYCELL_DAEMON"] = "only"
            self.daemon = Daemon(self.runtime)
            self.addCleanup(lambda: self.assertEqual(self.daemon.end(), 0))

    @contextlib.contextmanager
    def largest_file(self, size):
        """No process of this test may write a larger file; gives the options for run_it."""
        def limit():
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))
        if self.daemon:
            resource.prlimit(self.daemon.process.pid, resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))
        try:
            yield {"preexec_fn": limit}
        finally:
            if self.daemon:
                resource.prlimit(self.daemon.process.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))

    def command(self, *arguments):
        return [str(STEADYCELL), *map(str, arguments)]

    def run_it(self, *arguments, timeout=120, **options):
        done = subprocess.run(self.command(*arguments), cwd=self.folder, stdin=subprocess.DEVNULL, capture_output=True,
                              timeout=timeout, check=False, **options)
        return Finished(done.returncode, done.stdout, done.stderr.decode())

    def succeed(self, *arguments, code=0, **options):
        """Runs with --json; returns the object, the only thing on standard output."""
        done = self.run_it(*arguments, "--json", **options)
        self.assertEqual(done.code, code, f"{arguments}: {done.text} {done.err}")
        return self.only_object(done)

    def only_object(self, done):
        self.assertTrue(done.text.endswith("\n"), done.text)
        self.assertEqual(done.text.count("\n"), 1, "one line, nothing else on standard output")
        return done.json

    def refuse(self, error, code, *arguments, **options):
        """Runs with --json; checks error code, exit code and shape; returns the error's fields."""
        done = self.run_it(*arguments, "--json", **options)
        self.assertEqual((done.code, "error" in done.text), (code, True), f"{arguments}: {done.text} {done.err}")
        answer = self.only_object(done)
        self.assertEqual(list(answer), ["error"])
        found = answer["error"]
        self.assertEqual(sorted(found), ["code", "kept", "next", "what", "where"])
        self.assertEqual(found["code"], error, f"{arguments}: {found}")
        self.assertTrue(found["what"], "says what is wrong")
        self.assertTrue(found["next"], "says what to do next")
        self.assertEqual(done.err, "", "the error is told once")
        return found

    def said(self, found):
        """All that an error tells a person, as one text."""
        return " ".join(str(found[key]) for key in ("what", "where", "kept", "next") if found[key])

    def fixture(self, name="fixture.json", content=None, target=None, targets=None, cells=None, chip=True, supply_mV=3300, **rest):
        """Writes a fixture file; returns the --board argument for it."""
        value = {"schema": "steadycell-fixture/1", "seed": 11, **rest}
        if chip:
            target = dict(target or SMALL)
            if content is not None:
                (self.folder / f"{name}.raw").write_bytes(content)
                target["content"] = f"{name}.raw"
            value["chip"] = {"supply_mV": supply_mV, "targets": targets or [target]}
            if cells:
                value["chip"]["cells"] = cells
        (self.folder / name).write_text(json.dumps(value))
        return f"sim:{name}"

    def slow_fixture(self, name, content, **rest):
        """The small chip at the speed of a slow part: a quarter of a second a pass."""
        board = self.fixture(name, content=content, timed=True, **rest)
        value = json.loads((self.folder / name).read_text())
        value["chip"]["timing"] = {"t_read_us": 2000}
        (self.folder / name).write_text(json.dumps(value))
        return board

    def read(self, board, passes=2, into="capture", last_block=BLOCKS - 1, **options):
        return self.succeed("chip", "read", "--board", board, *CONSENT, "--passes", passes, "--blocks", f"0-{last_block}",
                            "--into", into, **options)

    def settled(self, content, cells=None, passes=2, image="image"):
        """A capture of the small chip and its image; returns what settle said."""
        self.read(self.fixture(content=content, cells=cells), passes)
        return self.succeed("capture", "settle", "capture", "--image", image)

    def snapshot(self, folder):
        """Every file under the folder with its bytes, to see that nothing was touched."""
        root = self.folder / folder
        return {str(path.relative_to(root)): path.read_bytes() for path in sorted(root.rglob("*")) if path.is_file()}


def main():
    unittest.main(verbosity=2)
