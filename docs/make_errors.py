#!/usr/bin/env python3
"""Writes docs/errors.md from host/base/error_codes.def, the one list of error codes.

    make_errors.py SOURCE_DIR          write docs/errors.md
    make_errors.py SOURCE_DIR --check  fail when docs/errors.md is not what would be written
"""
import re
import sys
from pathlib import Path

GROUPS = {1: "The caller", 2: "The link", 3: "Board, power and contact", 4: "The chip", 5: "Storage", 6: "The program"}
ROW = re.compile(r'^STEADYCELL_ERROR\((\d+), (\w+), (\d+), "((?:[^"\\]|\\.)*)", "((?:[^"\\]|\\.)*)"\)$')


def page(definitions):
    out = ["# Error codes", "",
           "Made from `host/base/error_codes.def` by `docs/make_errors.py`; do not edit. The hundreds say who can mend it.",
           "A published number never changes its meaning. Exit codes are those of the command line (docs/design.md)."]
    group = None
    for line in definitions.splitlines():
        if not line.startswith("STEADYCELL_ERROR"):
            continue
        match = ROW.match(line)
        if not match:
            sys.exit(f"cannot read this row: {line}")
        number, _, exit_code, meaning, next_step = match.groups()
        if int(number) // 100 != group:
            group = int(number) // 100
            out += ["", f"## {group}xx {GROUPS[group]}", "", "| code | meaning | next step | exit |", "| --- | --- | --- | --- |"]
        out.append(f"| e{number} | {meaning} | {next_step} | {exit_code} |")
    return "\n".join(out) + "\n"


if __name__ == "__main__":
    source = Path(sys.argv[1])
    text = page((source / "host/base/error_codes.def").read_text())
    target = source / "docs/errors.md"
    if sys.argv[2:] == ["--check"]:
        if not target.exists() or target.read_text() != text:
            sys.exit("docs/errors.md is out of date: run docs/make_errors.py .")
    else:
        target.write_text(text)
