#!/usr/bin/env python3
"""Checks that arrows between rooms point down only (docs/design.md, "Rooms").

Reads every #include line and every DEPS list. A room may include rooms of a lower level, and rooms of its own level
when its CMakeLists.txt lists them and no circle arises. Rooms of levels 0 and 1 compute only: they include nothing
that opens a file, asks a clock, starts a thread or talks to a device. host/ never includes fixtures/.

    check_rooms.py SOURCE_DIR      check the tree
    check_rooms.py --self-test     show that wrong arrows are seen
"""
import re
import sys
import tempfile
from pathlib import Path

LEVELS = [
    ["base"],
    ["protocol", "chip", "ecc", "search", "vote", "assess", "supply", "contact", "image", "api"],
    ["files", "link"],
    ["board", "passes"],
    ["capture", "settle", "measure", "records", "conform", "stick"],
    ["service"],
    ["cli", "daemon"],
]
LEVEL = {room: level for level, rooms in enumerate(LEVELS) for room in rooms}
PURE_UP_TO = 1
IMPURE = re.compile(
    r"^(boost/asio|fstream$|filesystem$|thread$|mutex$|future$|condition_variable$|ctime$|time\.h$|unistd\.h$"
    r"|fcntl\.h$|stdio\.h$|cstdio$|iostream$|sys/|libusb|hidapi|sqlite3)")
CLOCK = re.compile(r"\b(steady_clock|system_clock|high_resolution_clock|clock_gettime|gettimeofday)\b")  # durations are fine
INCLUDE = re.compile(r'^\s*#\s*include\s*([<"])([^>"]+)[>"]')


def listed_dependencies(room_dir):
    text = (room_dir / "CMakeLists.txt").read_text() if (room_dir / "CMakeLists.txt").exists() else ""
    match = re.search(r"steadycell_room\(\s*\w+(.*?)\)", text, re.S)
    if not match:
        return None
    deps = re.search(r"\bDEPS\b(.*?)(\bLIBRARIES\b|$)", match.group(1), re.S)
    return set(deps.group(1).split()) if deps else set()


def problems_in(source):
    problems = []
    host = Path(source) / "host"
    graph = {}
    for room_dir in sorted(p for p in host.iterdir() if p.is_dir()):
        room = room_dir.name
        if room in ("page", "install"):  # TypeScript, bundled into the daemon; what is installed beside the programs
            continue
        if room not in LEVEL:
            problems.append(f"host/{room}: not a room of docs/design.md")
            continue
        listed = listed_dependencies(room_dir)
        graph[room] = {d for d in (listed or set()) if d in LEVEL}
        for dep in graph[room]:
            if LEVEL[dep] > LEVEL[room]:
                problems.append(f"host/{room}/CMakeLists.txt: depends on {dep}, a room above it")
        for path in sorted(room_dir.rglob("*")):
            if path.suffix not in (".h", ".cpp", ".c"):
                continue
            for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
                if LEVEL[room] <= PURE_UP_TO and CLOCK.search(line):
                    problems.append(f"{path.relative_to(source)}:{number}: {room} only computes and must not ask a clock")
                match = INCLUDE.match(line)
                if not match:
                    continue
                kind, name = match.groups()
                where = f"{path.relative_to(source)}:{number}"
                if LEVEL[room] <= PURE_UP_TO and IMPURE.match(name):
                    problems.append(f"{where}: {room} only computes and must not include <{name}>")
                if kind == "<":
                    continue
                other = name.split("/")[0]
                if other in ("fixtures", "simbench", "device", "tests"):
                    problems.append(f"{where}: host/ must not include {name}")
                elif other not in LEVEL:
                    if not name.startswith("steadycell/") and not (path.parent / name).exists():
                        problems.append(f"{where}: {name} belongs to no room")
                elif LEVEL[other] > LEVEL[room]:
                    problems.append(f"{where}: {room} (level {LEVEL[room]}) includes {name} (level {LEVEL[other]})")
                elif LEVEL[other] == LEVEL[room] and other != room and listed is not None and other not in listed:
                    problems.append(f"{where}: {room} includes {name} but does not list {other} in DEPS")
    problems += circles_in(graph)
    return problems


def circles_in(graph):
    found = []

    def walk(room, trail):
        if room in trail:
            found.append("circle of rooms: " + " -> ".join(trail[trail.index(room):] + [room]))
            return
        for dep in sorted(graph.get(room, ())):
            if not found:
                walk(dep, trail + [room])

    for room in sorted(graph):
        if not found:
            walk(room, [])
    return found


def self_test():
    with tempfile.TemporaryDirectory() as folder:
        def tree(files):
            for name, text in files.items():
                path = Path(folder) / "host" / name
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_text(text)
        tree({"base/a.h": "", "base/CMakeLists.txt": "steadycell_room(base)",
              "vote/b.h": '#include "base/a.h"\n', "vote/CMakeLists.txt": "steadycell_room(vote DEPS base)",
              "image/c.h": "", "image/CMakeLists.txt": "steadycell_room(image DEPS base)"})
        assert problems_in(Path(folder)) == [], problems_in(Path(folder))
        bad = {'auto now = std::chrono::steady_clock::now();\n': ("vote/b.h", "ask a clock"),
               '#include "vote/b.h"\n': ("base/a.h", "level 0"), '#include <fstream>\n': ("vote/b.h", "only computes"),
               '#include "image/c.h"\n': ("vote/b.h", "does not list"), '#include "fixtures/x.h"\n': ("image/c.h", "must not include")}
        for line, (name, words) in bad.items():
            path = Path(folder) / "host" / name
            before = path.read_text()
            path.write_text(line)
            assert any(words in p for p in problems_in(Path(folder))), (line, problems_in(Path(folder)))
            path.write_text(before)
        tree({"image/CMakeLists.txt": "steadycell_room(image DEPS vote)", "vote/CMakeLists.txt": "steadycell_room(vote DEPS image)"})
        assert any("circle" in p for p in problems_in(Path(folder)))
        tree({"vote/CMakeLists.txt": "steadycell_room(vote DEPS service)"})
        assert any("above it" in p for p in problems_in(Path(folder)))


if __name__ == "__main__":
    if sys.argv[1:] == ["--self-test"]:
        self_test()
        print("wrong arrows are seen")
        sys.exit(0)
    found = problems_in(Path(sys.argv[1]).resolve())
    print("\n".join(found) if found else "arrows point down only")
    sys.exit(1 if found else 0)
