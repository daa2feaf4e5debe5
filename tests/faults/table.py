#!/usr/bin/env python3
"""Prints the table of faults: which tests stand for each, and whether they passed.

    table.py RESULTS

RESULTS is a folder with what a run of the tests left: *.xml of GoogleTest (GTEST_OUTPUT=xml:RESULTS/) and ctest.xml
(ctest --output-junit), which holds what the Python tests said. A test stands for a fault when its name begins with the
fault's number (F07_..., test_F21_...), or is named below. Fails when a fault that is due has no test, or one that did not pass.
"""
import re
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

# Number, what goes wrong, further tests that stand for it.
DUE = (
    ("F-01", "board unplugged in a pass", ("PeerThatHangsUp", "test_hangs_up")),
    ("F-02", "another chip in the socket", ()),
    ("F-03", "another board of the same serial", ()),
    ("F-04", "bulk endpoint stalls", ()),
    ("F-05", "board is deaf", ()),
    ("F-06", "answer comes too late", ("R27_",)),
    ("F-07", "damaged frame", ("R23_",)),
    ("F-08", "whole frame of the wrong page", ()),
    ("F-09", "frame comes twice", ()),
    ("F-10", "frame lost or overtaken", ()),
    ("F-11", "stream cut anywhere", ()),
    ("F-12", "absurd frame length", ()),
    ("F-13", "firmware restarts in a pass", ()),
    ("F-14", "endless garbage", ("test_talks_something_else",)),
    ("F-15", "R/B# stuck", ()),
    ("F-16", "over-current at power-up", ()),
    ("F-17", "samples lost or saturated", ("R28_",)),
    ("F-18", "hub loses power", ()),
    ("F-19", "host suspends in a pass", ()),
    ("F-20", "10 000 plug cycles", ()),
    ("F-21", "killed at any moment", ("RailLeftOnByAnEarlierSession", "ASilentHostLosesTheSocketRail")),
    ("F-22", "power cut", ()),
    ("F-23", "disk full", ()),
    ("F-24", "any call to the disk fails", ("FailedSync.",)),
    ("F-25", "folder read-only or gone", ()),
    ("F-26", "memory runs out", ()),
    ("F-27", "descriptors run out", ()),
    ("F-29", "two clients start at once", ()),
    ("F-30", "client of a job disappears", ()),
    ("F-31", "malformed message", ()),
    ("F-35", "names that lead elsewhere", ()),
    ("F-36", "hostile parameter page", ()),
    ("F-37", "ID changes, bus floats", ()),
    ("F-38", "hostile capture or image", ()),
    ("F-39", "hostile manifest", ()),
    ("F-42", "clock jumps", ()),
    ("F-43", "locale and time zone", ()),
    ("F-44", "stopped by a signal", ()),
    ("F-45", "reader of the output is gone", ()),
    ("F-46", "loop hangs", ()),
    ("F-47", "fast path differs from the plain loop", ("Tally.EqualsThePlainLoop", "Majority.")),
    ("F-48", "ties, unequal passes", ()),
    ("F-49", "older or newer firmware", ()),
)
# Number, what goes wrong, why it needs no test yet. With one it counts as due.
LATER = (
    ("F-28", "database busy, full, damaged", "comes with the records"),
    ("F-32", "broken WebSocket", "comes with the page"),
    ("F-33", "broken HTTP", "comes with the page"),
    ("F-34", "foreign host or origin", "comes with the page"),
    ("F-40", "slow client of the page", "comes with the page"),
    ("F-41", "64 clients", "comes with the page"),
    ("F-50", "upgrade in a job", "in a clean root: tests/long/package_test.py, with --long"),
)


def gtest_cases(file):
    for case in ElementTree.parse(file).iter("testcase"):
        name = f"{case.get('classname')}.{case.get('name')}"
        if case.find("failure") is not None:
            yield name, "failed"
        elif case.get("status") == "notrun" or case.get("result") == "skipped" or case.find("skipped") is not None:
            yield name, "skipped"
        else:
            yield name, "passed"


def python_cases(file):
    """Lines of unittest: "test_x (module.Class.test_x) ... ok", where prints of the test may stand before the "ok"."""
    for case in ElementTree.parse(file).iter("testcase"):
        said = case.findtext("system-out") or ""
        starts = list(re.finditer(r"^(test_\w+) \([\w.]+\)", said, re.MULTILINE))
        for start, following in zip(starts, starts[1:] + [None]):
            part = said[start.end():following.start() if following else len(said)]
            verdict = re.search(r"(?:^|\.\.\. )(ok|FAIL|ERROR|skipped)\b", part, re.MULTILINE)
            word = verdict.group(1) if verdict else "ERROR"
            yield start.group(1), {"ok": "passed", "skipped": "skipped"}.get(word, "failed")


def main(results):
    cases = []
    # A suite that got a second try left x_test.xml and x_test_1.xml: the later one counts.
    last = {re.sub(r"_\d+$", "", file.stem): file for file in sorted(results.glob("*.xml"), key=lambda file: file.stat().st_mtime_ns)}
    for file in last.values():
        cases += python_cases(file) if file.name == "ctest.xml" else gtest_cases(file)
    if not cases:
        sys.exit(f"{results} holds no results")
    bad = due = 0
    print(f"{'fault':<6} {'what goes wrong':<40} {'tests':>5}  result")
    for number, what, others, why in sorted([(*row, None) for row in DUE] + [(number, what, (), why) for number, what, why in LATER]):
        own = re.compile(rf"(?:^|[._/]|test_){number.replace('-', '')}(?!\d)")
        mine = [(name, how) for name, how in cases if own.search(name) or any(other in name for other in others)]
        if why and not mine:
            print(f"{number:<6} {what:<40} {0:>5}  not due: {why}")
            continue
        due += 1
        failed = [name for name, how in mine if how == "failed"]
        passed = sum(how == "passed" for _, how in mine)
        result = "passed" if passed and not failed else f"FAILED: {', '.join(failed)}" if failed else "NO TEST"
        bad += result != "passed"
        print(f"{number:<6} {what:<40} {len(mine):>5}  {result}")
    print(f"{due} faults due, {due - bad} passed; {len(DUE) + len(LATER) - due} not due yet")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])) if len(sys.argv) == 2 else __doc__)
