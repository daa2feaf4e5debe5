"""A bench with a daemon, and a board slow enough to meet its jobs under way."""
import os
import signal
import subprocess

import bench
from bench import BLOCKS, CONSENT, PAGES_PER_BLOCK, random_pages
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
