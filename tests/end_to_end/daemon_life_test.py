"""How the daemon starts, ends and hangs, and what doctor says of it."""
import contextlib
import json
import os
import re
import signal
import socket
import subprocess
import time

import bench
from bench import BLOCKS, CONSENT, STEADYCELLD
from daemon_bench import DaemonTest
from messages import Client


class StartAndEnd(DaemonTest):
    def test_F44_sigterm_stops_jobs_at_their_unit_and_answers_first(self):
        self.start()
        reading = self.cli_read()
        self.daemon.process.send_signal(signal.SIGTERM)
        self.daemon.wait_for("STOPPING=1")
        out, _ = reading.communicate(timeout=120)
        self.assertEqual((reading.returncode, json.loads(out)["error"]["code"]), (130, "e107"))
        self.assertTrue(json.loads(out)["error"]["kept"])
        self.assertEqual(self.daemon.end(), 0)
        self.assertFalse(self.daemon.socket_path.exists())
        os.environ["STEADYCELL_DAEMON"] = "off"
        told = self.succeed("chip", "read", "--board", self.slow, *CONSENT, "--passes", 1, "--blocks", "0-3", "--into", "capture")
        self.assertEqual(told["units_held"] + told["units_read"], BLOCKS)

    def test_F44_a_second_sigterm_leaves_at_once(self):
        self.start()
        self.cli_read()
        for _ in range(2):
            self.daemon.process.send_signal(signal.SIGTERM)
        self.assertIn(self.daemon.end(signal.SIGTERM), (0, 143))
        os.environ["STEADYCELL_DAEMON"] = "off"
        self.succeed("chip", "identify", "--board", self.slow, *CONSENT)

    def test_F46_killed_hard_says_so_at_the_next_start_and_nothing_is_lost(self):
        # A manager kills a daemon whose pings stop.
        self.start()
        reading = self.cli_read()
        self.daemon.end(signal.SIGKILL)
        out, _ = reading.communicate(timeout=120)
        self.assertEqual((reading.returncode, json.loads(out)["error"]["code"]), (9, "e603"))
        self.assertIn("repeat", json.loads(out)["error"]["next"])
        self.assertRegex(json.loads(out)["error"]["kept"], r"^\d+ units? safe in capture$")
        # A socket that nobody listens at is no daemon: the command works by itself.
        del os.environ["STEADYCELL_DAEMON"]
        self.assertTrue(self.daemon.socket_path.exists())
        self.assertIn("start steadycelld again", self.run_it("doctor").text)
        told = self.succeed("chip", "read", "--board", self.slow, *CONSENT, "--passes", 1, "--blocks", "0-3", "--into", "capture")
        self.assertEqual(told["units_held"] + told["units_read"], BLOCKS)
        log = self.runtime / "log"
        with open(log, "wb") as stderr:
            self.start(stderr=stderr)
        self.assertEqual(self.daemon.end(), 0)
        self.assertIn("ended hard", log.read_text())
        with open(log, "wb") as stderr:
            self.start(stderr=stderr)
        self.assertEqual(self.daemon.end(), 0)
        self.assertNotIn("ended hard", log.read_text())

    def test_a_log_that_takes_nothing_ends_nothing(self):
        with open("/dev/full", "wb") as full:
            self.start(stderr=full)
        client = self.client()
        for _ in range(3):
            self.daemon.process.send_signal(signal.SIGHUP)  # each is told
            self.assertIn("result", client.call("daemon.status"))
        self.assertEqual(self.daemon.end(), 0)

    def test_F29_two_daemons_at_once_have_one_winner(self):
        for _ in range(5):
            both = [subprocess.Popen([STEADYCELLD], stdin=subprocess.DEVNULL, stderr=subprocess.PIPE) for _ in range(2)]
            while all(daemon.poll() is None for daemon in both):
                os.sched_yield()
            loser = next(daemon for daemon in both if daemon.poll() is not None)
            winner = both[1 - both.index(loser)]
            _, said = loser.communicate(timeout=120)
            self.assertEqual((loser.returncode, b"e607" in said), (9, True), said)
            self.assertEqual(self.first_answer()["process"], winner.pid)
            winner.send_signal(signal.SIGTERM)
            winner.communicate(timeout=120)
            self.assertEqual(winner.returncode, 0)

    def first_answer(self):
        """Of a daemon that has its place, and listens soon."""
        while True:
            try:
                client = Client(self.runtime / "steadycell/steadycelld.socket")
            except (FileNotFoundError, ConnectionRefusedError):
                os.sched_yield()
                continue
            with contextlib.closing(client):
                return client.call("daemon.status")["result"]

    def test_one_daemon_for_a_user(self):
        self.start()
        done = subprocess.run([STEADYCELLD], capture_output=True, check=False, timeout=120)
        self.assertEqual(done.returncode, 9)
        self.assertIn(b"e607", done.stderr)
        self.assertIn(str(self.daemon.process.pid).encode(), done.stderr)
        self.assertIn("result", self.client().call("daemon.status"))

    def test_pings_for_the_watchdog(self):
        self.start(environment={"WATCHDOG_USEC": "200000"})
        for _ in range(3):
            self.daemon.wait_for("WATCHDOG=1")
        self.assertEqual(self.daemon.end(), 0)

    def test_socket_handed_over_by_a_manager(self):
        # sd_listen_fds(3): descriptor 3, LISTEN_FDS, LISTEN_PID. The client may knock before the daemon runs.
        path = self.runtime / "steadycell/steadycelld.socket"
        path.parent.mkdir(mode=0o700)
        listening = socket.socket(socket.AF_UNIX)
        listening.bind(str(path))
        listening.listen(5)
        client = Client(path)
        self.addCleanup(client.close)
        request = client.send("daemon.status")
        daemon = subprocess.Popen(["sh", "-c", f"LISTEN_PID=$$ LISTEN_FDS=1 exec '{STEADYCELLD}' 3<&{listening.fileno()}"], pass_fds=[listening.fileno()],
                                  stdin=subprocess.DEVNULL)
        self.addCleanup(daemon.wait, 120)
        self.addCleanup(daemon.kill)
        self.assertEqual(client.answer_to(request)["result"]["process"], daemon.pid)
        daemon.send_signal(signal.SIGTERM)
        self.assertEqual(daemon.wait(120), 0)
        self.assertTrue(path.exists(), "the socket is the manager's")
        listening.close()

    def test_check_config(self):
        #
        path = self.runtime / "daemon.json"

        def check(text, *options):
            if text is not None:
                path.write_text(text)
            done = subprocess.run([STEADYCELLD, "--check-config", *options], capture_output=True, text=True, check=False, timeout=120)
            return done.returncode, done.stdout + done.stderr
        self.assertEqual(check(None)[0], 0, "no file in the usual place: the defaults")
        self.assertEqual(check(None, "--config", path)[0], 2)
        code, said = check('{"schema": "steadycell-daemon/1", "max_jobs": 3}', "--config", path)
        self.assertEqual((code, "3 jobs" in said), (0, True), said)
        for text, word in (("{", "byte"), ("{}", "schema"), ('{"schema": "steadycell-daemon/2"}', "schema"), ('{"schema": "steadycell-daemon/1", "max_job": 3}', "max_job"),
                           ('{"schema": "steadycell-daemon/1", "max_jobs": 0}', "1 to 64"), ('{"schema": "steadycell-daemon/1", "max_clients": "many"}', "max_clients")):
            with self.subTest(text):
                code, said = check(text, "--config", path)
                self.assertEqual((code, "e606" in said, word in said), (2, True, True), said)
        (self.runtime / "steadycell").mkdir(exist_ok=True)
        path.rename(self.runtime / "steadycell/daemon.json")  # the usual place: XDG_CONFIG_HOME is this folder here
        self.assertEqual(check(None)[0], 2)


class Hangs(DaemonTest):
    """A daemon that was stopped by SIGSTOP: the kernel takes connections and messages for it, and it answers nothing."""

    def setUp(self):
        super().setUp()
        self.start()

    def hang(self):
        self.daemon.process.send_signal(signal.SIGSTOP)
        os.waitid(os.P_PID, self.daemon.process.pid, os.WSTOPPED)

    def test_F46_one_ctrl_c_ends_a_read(self):
        reading = self.cli_read()
        while "pass 8" not in reading.stderr.readline():  # 2 s: the disk has been told of more than one pass
            pass
        self.hang()
        reading.send_signal(signal.SIGINT)
        out, _ = reading.communicate(timeout=60)
        error = json.loads(out)["error"]
        self.assertEqual((reading.returncode, error["code"]), (130, "e107"))
        self.assertIn(f"process {self.daemon.process.pid} (steadycelld) hangs", error["what"])
        self.assertIn("cuts the rails", error["what"])
        self.assertIn(f"kill -KILL {self.daemon.process.pid}", error["next"])
        kept = re.fullmatch(r"(\d+) units safe in capture", error["kept"])
        self.daemon.process.kill()  # what the message says
        self.daemon.process.wait(120)
        os.environ["STEADYCELL_DAEMON"] = "off"
        told = self.succeed("chip", "read", "--board", self.slow, *CONSENT, "--passes", 9, "--blocks", "0-3", "--into", "capture")
        self.assertGreater(int(kept[1]), 0)
        self.assertGreaterEqual(told["units_held"], int(kept[1]))

    def test_a_daemon_that_comes_back_answers_for_its_job(self):
        # The board heard nothing for longer than it bears, so it may have switched the socket off: that is the job's to say.
        reading = self.cli_read(passes=20)
        self.hang()
        time.sleep(2)
        self.daemon.process.send_signal(signal.SIGCONT)
        out, said = reading.communicate(timeout=120)
        told = json.loads(out)
        if reading.returncode == 4:
            self.assertEqual(told["error"]["code"], "e202")
        else:
            self.assertEqual((reading.returncode, told.get("units_read")), (0, 20 * BLOCKS), out)
        self.assertNotIn("has not answered", said)
        self.succeed("chip", "read", "--board", self.slow, *CONSENT, "--passes", 20, "--blocks", "0-3", "--into", "capture")

    def test_one_ctrl_c_ends_whatever_waits_for_its_greeting(self):
        self.hang()
        for how, code in ((signal.SIGINT, 130), (signal.SIGHUP, 129)):
            started = [subprocess.Popen(self.command(*words, "--json"), cwd=self.folder, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
                       for words in (("status",), ("doctor",), ("chip", "identify", "--board", self.slow),
                                     ("board", "check", "--board", self.slow))]
            time.sleep(1)  # all of them wait by now, and for 4 s more
            for each in started:
                each.send_signal(how)
            for each in started:
                out, _ = each.communicate(timeout=60)
                self.assertEqual((each.returncode, json.loads(out)["error"]["code"]), (code, "e107"), each.args)


class Doctor(DaemonTest):
    def setUp(self):
        super().setUp()
        del os.environ["STEADYCELL_DAEMON"]

    def findings(self, code=0):
        told = self.succeed("doctor", code=code)
        self.assertEqual(told["healthy"], code == 0)
        for found in told["findings"]:
            self.assertIn(found["state"], ("good", "note", "problem"))
            if found["state"] == "problem":
                self.assertTrue(found["cure"], found)
        return {found["check"]: found for found in told["findings"]}

    def test_says_what_is_wrong_and_one_cure_for_it(self):
        found = self.findings()
        self.assertEqual((found["runtime folder"]["state"], found["daemon"]["state"]), ("good", "note"))
        self.start()
        self.assertEqual(self.findings()["daemon"]["state"], "good")
        self.daemon.socket_path.chmod(0o666)
        self.assertIn("chmod 0600", self.findings(code=1)["socket"]["cure"])
        self.daemon.socket_path.chmod(0o600)
        self.assertEqual(self.daemon.end(), 0)
        (self.runtime / "steadycell").chmod(0o755)
        self.assertIn("chmod 0700", self.findings(code=1)["runtime folder"]["cure"])
        # A folder that others may enter is no place for a lock either.
        self.refuse("e507", 5, "chip", "identify", "--board", self.slow)

    def test_a_daemon_that_hangs_is_named_with_what_ends_it(self):
        process = self.start().process
        process.send_signal(signal.SIGSTOP)  # takes connections (the kernel does) and answers nothing
        other = subprocess.Popen(self.command("chip", "identify", "--board", self.slow, "--json"), cwd=self.folder, stdout=subprocess.PIPE)
        found = self.findings(code=1)["daemon"]
        self.assertIn(f"process {process.pid} (steadycelld) hangs", found["found"])
        self.assertIn(f"kill -KILL {process.pid}", found["cure"])
        self.assertNotIn("doctor", found["cure"], "no circle")
        # Every other command says the same.
        error = json.loads(other.communicate(timeout=120)[0])["error"]
        self.assertEqual((other.returncode, error["code"]), (9, "e603"))
        self.assertIn(f"process {process.pid} (steadycelld) hangs", error["what"])
        self.assertIn(f"kill -KILL {process.pid}", error["next"])
        process.kill()  # what the cure says
        process.wait(120)
        self.assertEqual(self.findings()["daemon"]["state"], "note")

    def test_a_stranger_at_the_socket_is_named(self):
        path = self.runtime / "steadycell/steadycelld.socket"
        path.parent.mkdir(mode=0o700)
        peer = socket.socket(socket.AF_UNIX)
        self.addCleanup(peer.close)
        peer.bind(str(path))
        path.chmod(0o600)
        peer.listen(5)
        found = self.findings(code=1)["daemon"]
        self.assertIn(f"process {os.getpid()} (", found["found"])
        self.assertIn(f"kill {os.getpid()}", found["cure"])

    def test_a_wrong_configuration(self):
        (self.runtime / "steadycell").mkdir(mode=0o700)
        path = self.runtime / "steadycell/daemon.json"  # XDG_CONFIG_HOME is this folder here
        path.write_text('{"schema": "steadycell-daemon/1", "max_jobs": 0}')
        found = self.findings(code=1)["daemon.json"]
        self.assertIn("1 to 64", found["found"])
        self.assertIn(str(path), found["found"])
        path.write_text('{"schema": "steadycell-daemon/1", "max_jobs": 3}')
        self.assertIn("3 jobs", self.findings()["daemon.json"]["found"])

    def test_a_peer_that_is_no_daemon(self):
        path = self.runtime / "steadycell/steadycelld.socket"
        path.parent.mkdir(mode=0o700)
        peer = socket.socket(socket.AF_UNIX)
        self.addCleanup(peer.close)
        peer.bind(str(path))
        path.chmod(0o600)
        peer.listen(5)
        done = subprocess.Popen(self.command("chip", "identify", "--board", self.slow, "--json"), cwd=self.folder, stdout=subprocess.PIPE)
        client, _ = peer.accept()
        with client:
            client.recv(1000)
            client.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n")
            out, _ = done.communicate(timeout=120)
        self.assertEqual((done.returncode, json.loads(out)["error"]["code"]), (1, "e605"))


if __name__ == "__main__":
    bench.main()
