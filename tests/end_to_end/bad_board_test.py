"""Boards that are not there, answer nonsense or do not answer; and a real one over each kind of address."""
import os
import signal
import socket
import subprocess
import threading

import bench
from bench import CONSENT, SIMBOARD


class Unreachable(bench.BenchTest):
    def test_nobody_listens(self):
        for address in ("tcp:127.0.0.1:1", "unix:nowhere.sock"):
            with self.subTest(address):
                found = self.refuse("e201", 4, "chip", "identify", "--board", address)
                self.assertIn(address.split(":")[1], found["what"])

    def test_no_board_on_usb(self):
        done = self.run_it("chip", "identify", "--board", "usb:00000000-0000-0000-0000-000000000000", "--json")
        self.assertIn(done.code, (2, 4))
        self.assertTrue(self.only_object(done)["error"]["next"])
        self.refuse("e101", 2, "chip", "identify", "--board", "usb:ZZZ")


class Peer(bench.BenchTest):
    """A peer on a Unix socket that is no board."""

    def serve(self, talk):
        server = socket.socket(socket.AF_UNIX)
        server.bind(str(self.folder / "peer.sock"))
        server.listen(1)
        self.addCleanup(server.close)

        def run():
            try:
                client, _ = server.accept()
                with client:
                    talk(client)
            except OSError:
                pass

        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        self.addCleanup(thread.join, 30)
        return "unix:peer.sock"

    @staticmethod
    def drain(client):
        while client.recv(65536):
            pass

    def test_F05_deaf(self):
        found = self.refuse("e204", 4, "chip", "identify", "--board", self.serve(self.drain), timeout=60)
        self.assertNotIn("cable", found["next"], "a socket has none")

    def test_talks_something_else(self):
        def talk(client):
            client.sendall(b"HTTP/1.1 400 Bad Request\r\nConnection: close\r\n\r\n" + b"<html>no</html>\r\n" * 500)
            self.drain(client)
        self.refuse("e206", 4, "chip", "identify", "--board", self.serve(talk), timeout=60)

    def test_F14_random_bytes_without_end(self):
        def talk(client):
            for seed in range(400):
                client.sendall(bench.random_pages(1, raw=65536, seed=seed))
            self.drain(client)
        self.refuse("e206", 4, "chip", "identify", "--board", self.serve(talk), timeout=60)

    def test_hangs_up(self):
        for command in (("chip", "identify"), ("board", "conform", "--confirm", "no patient chip in the socket, no stick in the port")):
            found = self.refuse("e202", 4, *command, "--board", self.serve(lambda client: None), timeout=60)
            self.assertNotIn("cable", found["next"], "a socket has none")
            self.assertIn("program", found["next"])
            (self.folder / "peer.sock").unlink()


class Listening(bench.BenchTest):
    def board(self, listen):
        self.fixture(content=bench.random_pages(128))
        board = subprocess.Popen([SIMBOARD, "fixture.json", "--listen", listen], cwd=self.folder, stdout=subprocess.PIPE, text=True)

        def stop():
            board.send_signal(signal.SIGTERM)
            self.assertEqual(board.wait(30), 0)
            board.stdout.close()

        self.addCleanup(stop)
        ready = board.stdout.readline()
        self.assertTrue(ready.startswith("listening on "), ready)
        return ready.split()[2]

    def test_the_same_chip_over_unix_and_tcp(self):
        for listen in ("unix:board.sock", "tcp:127.0.0.1:0"):
            address = self.board(listen)
            found = self.succeed("chip", "identify", "--board", address, *CONSENT)
            self.assertEqual(found["id_bytes"][:5], "EC 76")

    def reading_in_pass_2(self, seed):
        """A slow board, one for each seed, and a read on it that has reached its second pass."""
        self.slow_fixture(f"slow{seed}.json", bench.random_pages(128), seed=seed)
        board = subprocess.Popen([SIMBOARD, f"slow{seed}.json", "--listen", f"unix:slow{seed}.sock"], cwd=self.folder,
                                 stdout=subprocess.PIPE, text=True)
        self.addCleanup(board.stdout.close)
        self.addCleanup(board.wait, 30)
        self.addCleanup(board.kill)
        board.stdout.readline()
        command = self.command("chip", "read", "--board", f"unix:slow{seed}.sock", *CONSENT, "--passes", "19", "--blocks", "0-3",
                               "--into", f"capture{seed}", "--progress", "json", "--json")
        reading = subprocess.Popen(command, cwd=self.folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        self.addCleanup(reading.stderr.close)
        self.addCleanup(reading.stdout.close)
        self.addCleanup(reading.wait, 30)
        self.addCleanup(reading.kill)
        for line in reading.stderr:
            if "pass 2" in line:
                break
        return board, reading

    def boards_that_die(self, count):
        seeds = range(11, 11 + count)
        pairs = [self.reading_in_pass_2(seed) for seed in seeds]
        for board, _ in pairs:
            board.kill()
        for _, reading in pairs:
            out, _ = reading.communicate(timeout=60)
            self.assertEqual(reading.returncode, 4, out)
            self.assertIn('"e202"', out)
        for seed in seeds:
            board = self.fixture("fast.json", content=bench.random_pages(128), seed=seed)
            self.assertGreaterEqual(self.read(board, into=f"capture{seed}")["units_held"], bench.BLOCKS)  # goes on where it stopped

    def test_F01_board_that_dies_while_reading(self):
        self.boards_that_die(1)

    def test_F18_all_boards_of_a_hub_die_while_reading(self):
        self.boards_that_die(3)  # a daemon lives on: it serves what follows, and ends well


class SimulatedBoardMissing(bench.BenchTest):
    def test_program_that_plays_the_board_is_not_installed(self):
        (self.folder / "steadycell").write_bytes(bench.STEADYCELL.read_bytes())
        os.chmod(self.folder / "steadycell", 0o755)
        done = subprocess.run([self.folder / "steadycell", "chip", "identify", "--board", self.fixture(), "--json"], cwd=self.folder, capture_output=True, check=False,
                              env={"PATH": str(self.folder), "XDG_RUNTIME_DIR": str(self.runtime), "STEADYCELL_DAEMON": "off"})
        self.assertEqual(done.returncode, 1, done.stdout)
        self.assertIn(b'"e602"', done.stdout)


if __name__ == "__main__":
    bench.main()
