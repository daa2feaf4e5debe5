"""Whether the host keeps up with a board that takes the chip's time, and what of a core it uses for that.

By hand: python3 tests/bench/timed_board.py BIN [blocks] [rounds], BIN the folder of the built programs. A chip of 2 KiB + 64 a page, 64
pages a block, tR 25 us, read in 5 passes in timing mode 3. Its limit is what the bus must do for a page, by the times of ONFI 1.0 for that
mode: command, five address bytes and command of a write cycle each, tWB, tR, tRR, then a read cycle a byte. Processor time is the host's
process from its start to its end, the board's process not among it."""
import json
import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

os.environ["STEADYCELL_BIN"] = sys.argv[1]
from made_chip import parameter_page  # noqa: E402

PAGE, SPARE, PAGES_PER_BLOCK, BLOCKS, PASSES = 2048, 64, 64, 4096, 5
T_READ, WRITE_CYCLE, READ_CYCLE, T_WB, T_RR = 25_000, 30, 30, 100, 20  # ns; all but tR of mode 3
PAGE_NS = 7 * WRITE_CYCLE + T_WB + T_READ + T_RR + (PAGE + SPARE) * READ_CYCLE


def processor_seconds(process):
    """Of the process itself, its children left out; None once it has ended."""
    try:
        fields = Path(f"/proc/{process.pid}/stat").read_text().rsplit(")", 1)[1].split()
    except FileNotFoundError:
        return None
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def read(steadycell, folder, blocks, into):
    process = subprocess.Popen((steadycell, "chip", "read", "--board", "sim:fixture.json", "--supply-mV", "3300", "--passes", str(PASSES),
                                "--blocks", f"0-{blocks - 1}", "--into", into, "--json"), cwd=folder, stdout=subprocess.PIPE)
    # Ended and not yet waited for, it still tells what it used.
    said = process.stdout.read()
    os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOWAIT)
    used = processor_seconds(process)
    if process.wait() != 0:
        sys.exit(f"exit {process.returncode}: {said.decode()}")
    return json.loads(said), used


def main():
    steadycell = str(Path(sys.argv[1]).resolve() / "steadycell")
    blocks = int(sys.argv[2]) if len(sys.argv) > 2 else 128
    rounds = int(sys.argv[3]) if len(sys.argv) > 3 else 5
    os.environ["STEADYCELL_DAEMON"] = "off"
    pages = blocks * PAGES_PER_BLOCK * PASSES
    limit = pages * PAGE_NS * 1e-9
    shares, cores = [], []
    with tempfile.TemporaryDirectory() as folder:
        os.environ["XDG_RUNTIME_DIR"] = folder
        (Path(folder) / "page.bin").write_bytes(parameter_page(PAGE, SPARE, PAGES_PER_BLOCK, BLOCKS) * 3)
        fixture = {"schema": "steadycell-fixture/1", "seed": 5, "timed": True, "chip": {
            "supply_mV": 3300, "timing": {"mode": 5, "t_read_us": T_READ / 1000}, "targets": [{
                "id_bytes": "2C 68 04 4A A9 00 00 00", "parameter_page": "page.bin",
                "geometry": {"page_bytes": PAGE, "spare_bytes": SPARE, "pages_per_block": PAGES_PER_BLOCK, "blocks": BLOCKS, "luns": 1,
                             "planes": 1, "bits_per_cell": 1, "bus_bits": 8, "column_cycles": 2, "row_cycles": 3}}],
            "cells": {"model": "simple", "marginal_fraction": 2e-4, "flip_probability": [0.05, 0.3]}}}
        (Path(folder) / "fixture.json").write_text(json.dumps(fixture))
        for number in range(rounds):
            said, used = read(steadycell, folder, blocks, f"capture{number}")
            shares.append(limit / said["seconds"])
            cores.append(used / said["seconds"])
    print(f"{pages} pages, at the limit {limit:.2f} s ({(PAGE + SPARE) / PAGE_NS * 1e3:.1f} MB/s)")
    print(f"reached {100 * statistics.median(shares):.1f} % of it (best {100 * max(shares):.1f}), with "
          f"{100 * statistics.median(cores):.1f} % of a core (least {100 * min(cores):.1f}); medians of {rounds}")


if __name__ == "__main__":
    main()
