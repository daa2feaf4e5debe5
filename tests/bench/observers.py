#!/usr/bin/env python3
"""What ten observers cost a read: the same read by the daemon without and with them, in turns. Run by hand; asserts no speed.

    STEADYCELL_BIN=build/release/bin tests/bench/observers.py [ROUNDS]

Wall time is the read's own ("seconds" of chip.read), and jumps on a busy machine. Processor time is the daemon's, and beside it that of
its loop alone, which does all that is done for clients: what observers add to it, over the time of the read, is what they cost. They
read their events in threads of one process, as fast as they come.
"""
import json
import os
import statistics
import sys
import tempfile
import threading
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "end_to_end"))
from bench import Daemon  # noqa: E402
from messages import Client  # noqa: E402

OBSERVERS, BLOCKS, PASSES = 10, 256, 24  # 256 blocks of 64 pages of 2112 bytes, 24 passes: 830 MB
FIXTURE = {"schema": "steadycell-fixture/1", "seed": 5, "chip": {"supply_mV": 3300, "targets": [{"id_bytes": "98 D1 90 15 76 14 01 00", "geometry": {
    "page_bytes": 2048, "spare_bytes": 64, "pages_per_block": 64, "blocks": BLOCKS, "luns": 1, "planes": 1, "bits_per_cell": 1, "bus_bits": 8,
    "column_cycles": 2, "row_cycles": 2}}], "cells": {"model": "simple", "marginal_fraction": 1e-4, "flip_probability": [0.05, 0.3]}}}


def processor_seconds(process):
    fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def loop_seconds(process):
    return int(Path(f"/proc/{process}/task/{process}/schedstat").read_text().split()[0]) / 1e9


def watch(client, counts, index):
    while client.receive() is not None:
        counts[index] += 1


def measure(daemon, folder, number, observers):
    clients, counts = [], [0] * observers
    for index in range(observers):
        clients.append(Client(daemon.socket_path))
        clients[-1].call("daemon.watch")
    threads = [threading.Thread(target=watch, args=(client, counts, index)) for index, client in enumerate(clients)]
    for thread in threads:
        thread.start()
    reader = Client(daemon.socket_path)
    reader.hello(folder=folder)
    before, loop_before = processor_seconds(daemon.process.pid), loop_seconds(daemon.process.pid)
    answer = reader.call("chip.read", board="sim:fixture.json", supply_mV=3300, passes=PASSES, blocks=[0, BLOCKS - 1], into=f"capture{number}")
    used, loop = processor_seconds(daemon.process.pid) - before, loop_seconds(daemon.process.pid) - loop_before
    reader.close()
    for client in clients:
        client.socket.shutdown(2)
    for thread in threads:
        thread.join()
    return answer["result"]["seconds"], used, sum(counts), loop


def main():
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    with tempfile.TemporaryDirectory() as runtime, tempfile.TemporaryDirectory() as folder:
        os.environ["XDG_RUNTIME_DIR"] = runtime
        (Path(folder) / "fixture.json").write_text(json.dumps(FIXTURE))
        daemon = Daemon(Path(runtime))
        runs = {0: [], OBSERVERS: []}
        for number in range(rounds):
            for observers in (0, OBSERVERS) if number % 2 == 0 else (OBSERVERS, 0):
                runs[observers].append(measure(daemon, folder, f"{number}-{observers}", observers))
        daemon.end()
    for name, column, middle in (("wall", 0, statistics.median), ("processor", 1, statistics.mean)):
        alone, watched = ([run[column] for run in runs[observers]] for observers in (0, OBSERVERS))
        print(f"{name:<10} alone {middle(alone):.3f} s (best {min(alone):.3f}), {OBSERVERS} observers {middle(watched):.3f} s (best {min(watched):.3f}): "
              f"{100 * (middle(watched) / middle(alone) - 1):+.1f} % by the {middle.__name__}, {100 * (min(watched) / min(alone) - 1):+.1f} % by the best")
    alone, watched = (statistics.median(run[3] for run in runs[observers]) for observers in (0, OBSERVERS))
    wall = statistics.median(run[0] for run in runs[0])
    print(f"loop       alone {alone * 1e3:.2f} ms, {OBSERVERS} observers {watched * 1e3:.2f} ms: {100 * (watched - alone) / wall:+.2f} % of a read")
    print(f"events told to observers in one read: {statistics.median(run[2] for run in runs[OBSERVERS]):.0f}")


if __name__ == "__main__":
    main()
