"""What the host costs from board to image: a simulated board as fast as it goes, a chip that says it holds 64 GiB, of which a few blocks are read.

By hand: python3 tests/bench/pipeline.py BIN [blocks] [rounds], BIN the folder of the built programs. Prints raw bytes a second of wall and of the
command's own processor time (the board's process is not counted), and the most memory each command ever held."""
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

os.environ["STEADYCELL_BIN"] = sys.argv[1]
from made_chip import parameter_page  # noqa: E402

PAGE, SPARE, PAGES_PER_BLOCK, BLOCKS, PASSES = 16384, 1280, 256, 16384, 5  # 64 GiB of data, 74 GB with the spare area


def run(*arguments, folder):
    """Wall seconds, processor seconds and KiB of the command, and what it said."""
    began = time.monotonic()
    process = subprocess.Popen(arguments, cwd=folder, stdout=subprocess.PIPE)
    said = process.stdout.read()
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in (0, 3):
        sys.exit(f"{arguments}: exit {process.returncode}: {said.decode()}")
    return time.monotonic() - began, used, json.loads(said)


def main():
    steadycell = str(Path(sys.argv[1]).resolve() / "steadycell")
    blocks = int(sys.argv[2]) if len(sys.argv) > 2 else 16
    rounds = int(sys.argv[3]) if len(sys.argv) > 3 else 5
    os.environ["STEADYCELL_DAEMON"] = "off"
    raw = blocks * PAGES_PER_BLOCK * (PAGE + SPARE) * PASSES
    rows = {"read": [], "settle": []}
    with tempfile.TemporaryDirectory() as folder:
        os.environ["XDG_RUNTIME_DIR"] = folder
        (Path(folder) / "page.bin").write_bytes(parameter_page(PAGE, SPARE, PAGES_PER_BLOCK, BLOCKS) * 3)
        fixture = {"schema": "steadycell-fixture/1", "seed": 5, "chip": {"supply_mV": 3300, "timing": {"mode": 5}, "targets": [{
            "id_bytes": "2C 68 04 4A A9 00 00 00", "parameter_page": "page.bin",
            "geometry": {"page_bytes": PAGE, "spare_bytes": SPARE, "pages_per_block": PAGES_PER_BLOCK, "blocks": BLOCKS, "luns": 1, "planes": 1,
                         "bits_per_cell": 1, "bus_bits": 8, "column_cycles": 2, "row_cycles": 3}}],
            "cells": {"model": "simple", "marginal_fraction": 2e-4, "flip_probability": [0.05, 0.3]}}}
        (Path(folder) / "fixture.json").write_text(json.dumps(fixture))
        for number in range(rounds):
            capture, image = f"capture{number}", f"image{number}"
            for name, arguments in (
                    ("read", ("chip", "read", "--board", "sim:fixture.json", "--supply-mV", "3300", "--passes", str(PASSES), "--blocks", f"0-{blocks - 1}",
                              "--into", capture)),
                    ("settle", ("capture", "settle", capture, "--image", image))):
                wall, used, said = run(steadycell, *arguments, "--timings", "--json", folder=folder)
                # Processor time: of `chip read`, without what its child, the board, used.
                processor = sum(stage["seconds"] for stage in said["timings"]) if name == "read" else used.ru_utime + used.ru_stime
                rows[name].append((said.get("seconds", wall), processor, used.ru_maxrss, said["timings"]))
            subprocess.run(["rm", "-r", capture, image], cwd=folder, check=True)
    print(f"{raw / 1e6:.0f} MB raw, {PASSES} passes; medians of {rounds} (best)")
    for name, runs in rows.items():
        wall, processor = [run[0] for run in runs], [run[1] for run in runs]
        print(f"{name:<7} {raw / statistics.median(wall) / 1e9:.2f} ({raw / min(wall) / 1e9:.2f}) GB/s, "
              f"{raw / statistics.median(processor) / 1e9:.2f} ({raw / min(processor) / 1e9:.2f}) GB a second of its stages, "
              f"most memory {max(run[2] for run in runs) / 1024:.1f} MiB")
        for stage in min(runs)[3]:
            print(f"          {stage['seconds']:8.3f} s  {stage['stage']}")


if __name__ == "__main__":
    main()
