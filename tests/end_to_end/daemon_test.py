"""The daemon: its socket and messages, several clients, jobs that outlive or follow them, and how it starts and ends."""
import contextlib
import datetime
import json
import os
import re
import resource
import signal
import socket
import stat
import subprocess
import sys
import time
import unittest

import bench
import messages
from bench import BLOCKS, CONSENT, PAGES_PER_BLOCK, STEADYCELLD, WEAK, random_pages
from messages import Client


class DaemonTest(bench.BenchTest):
    by_daemon = False

    def setUp(self):
        super().setUp()
        os.environ["STEADYCELL_DAEMON"] = "only"
        self.slow = self.slow_fixture("slow.json", random_pages(BLOCKS * PAGES_PER_BLOCK))

    def start(self, *arguments, **options):
        self.daemon = bench.Daemon(self.runtime, *arguments, **options)
        self.addCleanup(self.daemon.end, signal.SIGKILL)
        return self.daemon

    def client(self, **hello):
        client = Client(self.daemon.socket_path)
        self.addCleanup(client.close)
        if hello:
            client.hello(**hello)
        return client

    def read_params(self, into="capture", passes=99, board=None):
        return {"board": board or self.slow, "supply_mV": 3300, "passes": passes, "blocks": [0, BLOCKS - 1], "into": into}

    def cli_read(self, into="capture", passes=99):
        reading = subprocess.Popen(self.command("chip", "read", "--board", self.slow, *CONSENT, "--passes", passes, "--blocks", "0-3", "--into", into,
                                                "--progress", "json", "--json"),
                                   cwd=self.folder, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        self.addCleanup(reading.communicate)
        self.addCleanup(reading.kill)
        self.assertIn("pass 1", reading.stderr.readline())
        return reading


class Messages(DaemonTest):
    def setUp(self):
        super().setUp()
        self.start()

    def test_socket_is_for_one_user_alone(self):
        facts = self.daemon.socket_path.stat()
        self.assertTrue(stat.S_ISSOCK(facts.st_mode))
        self.assertEqual(stat.S_IMODE(facts.st_mode), 0o600)
        self.assertEqual(stat.S_IMODE(self.daemon.socket_path.parent.stat().st_mode), 0o700)

    @unittest.skipUnless(os.geteuid() == 0, "another user is needed to knock")
    def test_another_user_is_refused_by_the_kernels_word(self):
        # Both doors opened by hand: what is left is the check of the peer.
        for path in (self.runtime, self.daemon.socket_path.parent):
            path.chmod(0o755)
        self.daemon.socket_path.chmod(0o666)
        script = ("import socket, sys\ns = socket.socket(socket.AF_UNIX)\ns.connect(sys.argv[1])\n"
                  "try:\n  s.sendall(b'{\"id\": 1, \"method\": \"daemon.status\"}\\n')\n  got = s.recv(100)\nexcept (BrokenPipeError, ConnectionResetError):\n  got = b''\n"
                  "sys.exit(0 if got == b'' else 1)")
        done = subprocess.run(["python3", "-c", script, self.daemon.socket_path], user=65534, group=65534, extra_groups=[], cwd="/", check=False)
        self.assertEqual(done.returncode, 0, "not a byte for a stranger")
        self.assertIn("result", self.client().call("daemon.status"))

    def test_hello_and_status(self):
        client = self.client()
        told = client.hello(folder=self.folder)
        self.assertEqual((told["messages"], told["process"]), (1, self.daemon.process.pid))
        status = client.call("daemon.status")["result"]
        self.assertEqual((status["clients"], status["jobs"], status["finished"]), (1, [], []))
        self.assertEqual(client.call("daemon.hello", messages=2)["error"]["code"], "e106")

    def test_board_list_is_answered_at_once(self):
        client = self.client()
        messages.validator("board_list").validate(client.call("board.list")["result"])
        self.assertEqual(client.call("daemon.status")["result"]["finished"], [], "it is no job")

    def test_F31_what_is_no_message_is_answered_and_harms_nothing(self):
        # Each line with the id that its answer carries, and a word in it.
        status = b'"method": "daemon.status"'
        lines = [
            (b"", None, "byte 0"), (b"nonsense", None, "byte"), (b"[1]", None, "object"), (b'"x"', None, "object"), (b"7", None, "object"),
            (b"{}", None, "id"), (b'{"id": 1}', 1, "method"), (b'{"id": -1, ' + status + b"}", None, "id"), (b'{"id": 1.5, ' + status + b"}", None, "id"),
            (b'{"id": 9007199254740993, ' + status + b"}", None, "id"), (b'{"id": 1e400, ' + status + b"}", None, ""), (b'{"id": "1", ' + status + b"}", None, "id"),
            (b'{"id": 1, "method": 5}', 1, "method"), (b'{"id": 1, "params": [], ' + status + b"}", 1, "params"), (b'{"id": 1, "more": 1, ' + status + b"}", 1, "more"),
            (b'{"id": 1, "id": 1, ' + status + b"}", None, "twice"), (b'{"id": NaN, ' + status + b"}", None, "byte"), (b'{"id": 1, "method": "\\ud800"}', None, "byte"),
            (b'{"id": 1, "method": "\xff\xfe"}', None, "byte"), (b'{"id": 1, "method": "a\x00b"}', None, "byte"), (b'{"id": 1, ' + status + b"} {}", None, "behind"),
            (b"[" * 60000, None, "byte"), (b'{"a":' * 12000, None, "byte"), (b'{"id": 1, "method": "' + b"x" * 60000 + b'"}', 1, "no method"),
            (b'{"id": 1, "method": "image.show"}', 1, "no method"), (b'{"id": 1, "params": {"job": -1}, "method": "job.cancel"}', 1, "job"),
            (b'{"id": 1, "params": {"messages": 1, "folder": "here"}, "method": "daemon.hello"}', 1, "folder"),
            (b'{"id": 1, "params": {"board": "sim:x", "colour": 1}, "method": "chip.identify"}', 1, "colour")]
        client = self.client()
        for line, answered, word in lines:
            with self.subTest(line[:60]):
                client.socket.sendall(line + b"\n")
                while "event" in (answer := client.receive()):
                    pass
                self.assertIn(word, answer["error"]["what"])
                self.assertEqual(answer["id"], answered)
        self.assertIn("result", client.call("daemon.status"))

    def test_F31_a_message_that_is_too_long_is_skipped(self):
        client = self.client()
        client.socket.sendall(b"{\"id\": 1, \"method\": \"" + b"x" * (1 << 20))  # 1 MiB, and no end yet
        self.assertIn(str(messages.MAX_REQUEST), client.receive()["error"]["what"])
        client.socket.sendall(b"\"}\n")
        self.assertIn("result", client.call("daemon.status"))
        # Just as long as allowed, in pieces.
        line = b"{\"id\": 77, \"method\": \"daemon.status\"}".ljust(messages.MAX_REQUEST)
        for start in range(0, len(line), 1000):
            client.socket.sendall(line[start:start + 1000])
        client.socket.sendall(b"\n")
        self.assertEqual(client.receive()["id"], 77)

    def test_a_client_that_will_say_no_more_still_gets_its_answers(self):
        client = self.client()
        for _ in range(3):
            client.send("daemon.status")
        client.socket.shutdown(socket.SHUT_WR)
        self.assertEqual([client.receive()["id"] for _ in range(3)], [1, 2, 3])
        self.assertIsNone(client.receive())

    def test_half_a_message_is_nothing(self):
        client, other = self.client(), self.client()
        client.socket.sendall(b'{"id": 1, "method": "daemon.status"')
        self.assertIn("result", other.call("daemon.status"))
        client.close()
        while other.call("daemon.status")["result"]["clients"] != 1:
            pass

    def test_a_client_that_does_not_read_is_let_go(self):
        # what waits for it is bounded, and others are served.
        deaf, other = self.client(), self.client()
        request = b"{\"id\": 1, \"method\": \"daemon.status\"}\n" * 1000
        with self.assertRaises((BrokenPipeError, ConnectionResetError)):
            for _ in range(1000):
                deaf.socket.sendall(request)
        while other.call("daemon.status")["result"]["clients"] != 1:
            pass
        with open(f"/proc/{self.daemon.process.pid}/status") as status:
            resident = next(int(line.split()[1]) for line in status if line.startswith("VmRSS"))
        self.assertLess(resident, 100_000, "kB")


class Jobs(DaemonTest):
    def setUp(self):
        super().setUp()
        self.start()

    def test_owner_and_observers_hear_of_a_job(self):
        owner, observer, other = self.client(folder=self.folder), self.client(), self.client()
        self.assertEqual(observer.call("daemon.watch")["result"]["jobs"], [])
        request = owner.send("chip.read", **self.read_params(passes=1))
        result = owner.answer_to(request)["result"]
        self.assertEqual((result["units_read"], result["capture"]), (BLOCKS, "capture"))
        self.assertTrue((self.folder / "capture").is_dir(), "paths are the client's")
        for client in (owner, observer):
            job = client.await_event("started", method="chip.read", board=self.slow)["job"]
            self.assertEqual(client.await_event("progress", job=job)["unit"], "blocks")
            self.assertIsNone(client.await_event("finished", job=job)["error"])
            numbers = [event["seq"] for event in client.events]
            self.assertEqual(numbers, sorted(set(numbers)))
        other.call("daemon.status")
        self.assertEqual(other.events, [], "who does not watch is left in peace")
        self.assertEqual(other.call("daemon.status")["result"]["finished"][-1]["method"], "chip.read")

    def test_anybody_may_stop_a_job_at_its_unit(self):
        owner, other = self.client(folder=self.folder), self.client()
        request = owner.send("chip.read", **self.read_params())
        job = owner.await_event("progress")["job"]
        self.assertEqual(other.call("job.cancel", job=job)["result"], {"stopping": True})
        error = owner.answer_to(request)["error"]
        self.assertEqual(error["code"], "e107")
        self.assertTrue(error["kept"])
        self.assertEqual(other.call("job.cancel", job=job)["result"], {"stopping": False})
        self.assertGreaterEqual(self.succeed("chip", "read", "--board", self.slow, *CONSENT, "--passes", 1, "--blocks", "0-3", "--into", "capture")["units_held"], 1)

    def test_F30_a_job_goes_on_without_its_client_unless_it_is_attached(self):
        watcher = self.client()
        watcher.call("daemon.watch")
        gone = Client(self.daemon.socket_path)
        gone.hello(folder=self.folder)
        gone.send("chip.read", **self.read_params(passes=2))
        job = gone.await_event("started")["job"]
        gone.close()
        self.assertIsNone(watcher.await_event("finished", job=job)["error"])
        gone = Client(self.daemon.socket_path)
        gone.hello(folder=self.folder, attached=True)
        gone.send("chip.read", **self.read_params(into="attached"))
        job = gone.await_event("progress")["job"]
        gone.close()
        went = datetime.datetime.now(datetime.timezone.utc)
        self.assertEqual(watcher.await_event("finished", job=job)["error"]["code"], "e107")
        told = next(each for each in watcher.call("daemon.status")["result"]["finished"] if each["job"] == job)
        # The rule says 10 s; how soon after the stop a deaf board is let go is shown in tests/board/stop_test.cpp.
        self.assertLess((datetime.datetime.fromisoformat(told["until"].replace("Z", "+00:00")) - went).total_seconds(), 10)

    def test_F30_a_job_of_a_lost_client_keeps_its_board_and_says_so_at_once(self):
        other = self.client(folder=self.folder)
        # A process of its own: its number means nobody once it has ended.
        script = ("import json, socket, sys\ns = socket.socket(socket.AF_UNIX)\ns.connect(sys.argv[1])\n"
                  "for message in json.loads(sys.argv[2]): s.sendall(json.dumps(message).encode() + b'\\n')\n"
                  "while b'\"progress\"' not in s.recv(1 << 16): pass")
        hello = {"messages": 1, "program": "gone", "folder": str(self.folder)}
        said = [{"id": 1, "method": "daemon.hello", "params": hello}, {"id": 2, "method": "chip.read", "params": self.read_params()}]
        subprocess.run([sys.executable, "-c", script, self.daemon.socket_path, json.dumps(said)], check=True, timeout=120)
        error = other.call("chip.identify", board=self.slow)["error"]
        self.assertEqual(error["code"], "e308")
        self.assertIn("held by gone chip.read", error["what"])
        job = other.call("daemon.watch")["result"]["jobs"][0]["job"]
        other.call("job.cancel", job=job)
        other.await_event("finished", job=job)

    def test_the_next_job_waits_until_the_one_before_has_powered_down(self):
        reading = self.cli_read()
        reading.kill()
        reading.wait(120)
        found = self.succeed("chip", "identify", "--board", self.slow, *CONSENT)  # no e308: the first is on its way out
        self.assertEqual(found["id_bytes"][:5], "EC 76")

    def test_boards_of_their_own_run_at_the_same_time(self):
        client = self.client(folder=self.folder)
        other = self.fixture("other.json", content=random_pages(BLOCKS * PAGES_PER_BLOCK), cells=WEAK, seed=12)
        slow = client.send("chip.read", **self.read_params())
        client.await_event("progress")
        self.assertIn("result", client.call("chip.read", **self.read_params(into="other", passes=3, board=other)))
        self.assertEqual(client.call("job.cancel", request=slow)["result"], {"stopping": True})
        self.assertEqual(client.answer_to(slow)["error"]["code"], "e107")

    def test_a_folder_that_is_not_there(self):
        client = self.client(folder=self.folder / "nowhere")
        self.assertEqual(client.call("chip.identify", board=self.slow)["error"]["code"], "e505")


class Crowd(DaemonTest):
    def config(self, **keys):
        path = self.runtime / "daemon.json"
        path.write_text(json.dumps({"schema": "steadycell-daemon/1", **keys}))
        return path

    def test_one_client_or_job_too_many_is_told_so(self):
        self.start("--config", self.config(max_clients=2, max_jobs=1))
        first, second = self.client(folder=self.folder), self.client()
        second.call("daemon.status")
        third = self.client()
        self.assertEqual(third.receive()["error"]["code"], "e604")
        self.assertIsNone(third.receive())
        self.assertEqual(self.run_it("chip", "identify", "--board", self.slow).code, 9)
        first.send("chip.read", **self.read_params())
        first.await_event("progress")
        self.assertEqual(second.call("socket.check", board=self.slow)["error"]["code"], "e604")
        second.close()
        self.config(max_clients=3, max_jobs=1)
        self.daemon.process.send_signal(signal.SIGHUP)  # takes the new limits without a new start
        while not self.room_for(2):
            pass

    def room_for(self, number):
        clients = [Client(self.daemon.socket_path) for _ in range(number)]
        try:
            return all("result" in client.call("daemon.status") for client in clients)
        except (EOFError, BrokenPipeError, ConnectionResetError):
            return False
        finally:
            for client in clients:
                client.close()

    def test_clients_come_and_go_without_a_trace(self):
        self.start()
        stays = self.client()
        stays.call("daemon.watch")
        before = messages.open_descriptors(self.daemon.process.pid)
        for number in range(300):
            client = Client(self.daemon.socket_path)
            if number % 3:
                client.send("daemon.watch")  # and is gone before the answer
            client.close()
        while stays.call("daemon.status")["result"]["clients"] != 1:
            pass
        self.assertEqual(messages.open_descriptors(self.daemon.process.pid), before)

    def test_F27_descriptors_run_out(self):
        # Who is here is served, who waits is served later.
        if os.environ.get("STEADYCELL_SANITIZED"):
            self.skipTest("the sanitizer's check of virtual calls opens a pipe itself")
        self.start()
        first = self.client()
        first.call("daemon.status")
        used = messages.open_descriptors(self.daemon.process.pid)
        resource.prlimit(self.daemon.process.pid, resource.RLIMIT_NOFILE, (used + 4, used + 4))
        waiting = [Client(self.daemon.socket_path) for _ in range(20)]
        while messages.open_descriptors(self.daemon.process.pid) < used + 4:
            first.call("daemon.status")
        for _ in range(100):
            self.assertIn("result", first.call("daemon.status"))
        for client in waiting[:10]:
            client.close()
        for client in waiting[10:14]:
            self.assertIn("result", client.call("daemon.status"))
            client.close()
        for client in waiting[14:]:
            client.close()


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
