"""The daemon: its socket and messages, several clients, jobs that outlive or follow them."""
import datetime
import json
import os
import resource
import signal
import socket
import stat
import subprocess
import sys
import unittest

import bench
import messages
from bench import BLOCKS, CONSENT, PAGES_PER_BLOCK, WEAK, random_pages
from daemon_bench import DaemonTest
from messages import Client


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


if __name__ == "__main__":
    bench.main()
