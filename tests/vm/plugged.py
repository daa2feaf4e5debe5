"""What the guest's Python tests share: the end-to-end tests' own bench, its boards plugged into this kernel's vhci-hcd. So a test written
for the stream runs over USB as it is: BenchTest.fixture() plugs the board in and returns usb:UUID.
"""
import os
import subprocess
import sys
import time
import unittest
import uuid
from pathlib import Path

os.environ["STEADYCELL_BIN"] = os.environ["BUILD"] + "/bin"
os.environ["STEADYCELL_DAEMON"] = "off"
sys.dont_write_bytecode = True
REPO = Path(os.environ["REPO"])
sys.path.insert(0, str(REPO / "tests/end_to_end"))
import bench

DEVICES = Path("/sys/bus/usb/devices")


class Plugged:
    """A simulated board in this kernel's vhci-hcd."""

    def __init__(self, fixture, identity):
        self.serial = identity.hex
        self.process = subprocess.Popen([bench.SIMBOARD, fixture, "--vhci", "--faults"], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                                        text=True)
        self.say_until("plugged in")
        self.wait_until_known()

    def say_until(self, words):
        for line in self.process.stdout:
            if line.strip() == words:
                return
        raise AssertionError(f"the board ended before it said: {words}")

    def device(self):
        """Its folder in sysfs, while the kernel has it."""
        for known in DEVICES.glob("*/serial"):
            try:
                if known.read_text().strip() == self.serial:
                    return known.parent
            except OSError:
                pass  # it went while we looked
        return None

    def wait_until_known(self):
        for _ in range(200):
            device = self.device()
            # usbhid has its interface: the kernel and udev are through with it, or nearly so.
            if device and (device / (device.name + ":1.1") / "driver").exists():
                subprocess.run(["udevadm", "settle"], check=True)
                return
            time.sleep(0.05)
        raise AssertionError("the kernel does not see the board")

    def fault(self, words):
        self.process.stdin.write(words + "\n")
        self.process.stdin.flush()
        self.say_until("ok")

    def plug(self):
        self.fault("plug")
        self.wait_until_known()

    def end(self):
        if self.process.poll() is not None:
            return
        self.process.terminate()
        self.process.communicate(timeout=20)
        for _ in range(200):
            if not self.device():
                return
            time.sleep(0.05)
        raise AssertionError("the kernel does not let go of the board")


def address(identity):
    return f"usb:{identity}"


file_fixture = bench.BenchTest.fixture


def plugged_fixture(test, name="fixture.json", *arguments, board=None, **options):
    """As the end-to-end tests' own, but the board is plugged in, and stays so until the test ends or writes the file anew."""
    identity = uuid.UUID((board or {}).get("uuid") or str(uuid.uuid4()))
    if former := test.__dict__.setdefault("plugged_from", {}).pop(name, None):
        former.end()
    file_fixture(test, name, *arguments, board=(board or {}) | {"uuid": str(identity)}, **options)
    test.plugged = test.plugged_from[name] = Plugged(test.folder / name, identity)
    test.addCleanup(test.plugged.end)
    return address(identity)


bench.BenchTest.fixture = plugged_fixture


def has_usb():
    """Whether this build has a USB transport at all."""
    done = subprocess.run([bench.STEADYCELL, "chip", "identify", "--board", "usb"], capture_output=True, text=True, check=False)
    return "no USB transport" not in done.stderr


class WithSeconds(unittest.TextTestResult):
    """Says how long each test took."""

    def startTest(self, test):
        self.began = time.monotonic()
        super().startTest(test)

    def addSuccess(self, test):
        unittest.TestResult.addSuccess(self, test)
        self.stream.writeln(f"ok, {time.monotonic() - self.began:.1f} s")


def run(*tests):
    """Runs tests and whole classes of them, and ends the program."""
    if not has_usb():
        print("steadycell was built without --board usb")
        sys.exit(77)
    load = unittest.defaultTestLoader.loadTestsFromTestCase
    suite = unittest.TestSuite(load(test) if isinstance(test, type) else test for test in tests)
    sys.exit(not unittest.TextTestRunner(verbosity=2, resultclass=WithSeconds).run(suite).wasSuccessful())
