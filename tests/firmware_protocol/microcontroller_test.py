#!/usr/bin/env python3
"""Codec and device core, built for two microcontrollers without an operating system or a C library, and measured.

For Cortex-M0+ and Cortex-M4 (Thumb code): every source of firmware_protocol compiles with -ffreestanding -Os and all warnings as
errors; linked together with the compiler's own helper library (libgcc: a 64-bit product on a 32-bit core, say) nothing is left
undefined but memcpy, memmove, memset and memcmp, which GCC demands of every freestanding environment (GCC manual, "Language
Standards Supported by GCC"). Printed, and held against the limits below: code with constants, static data, the state of one core,
and the deepest stack.

How the stack is measured: -fcallgraph-info=su has the compiler write each function's frame and its calls; the frames are summed
along every path. A call through a pointer is told by its source line: `handler(` goes to every request handler, `hal->` or `usb->` leaves
the core, and what the board's own function takes there comes on top (so does what an interrupt takes). Any other call through a
pointer, a frame that grows at run time, or a recursion fails. libgcc has no such records: its functions' pushes are added up from
the disassembly. memcpy and its kin are taken as leaves of 16 bytes.

The table of docs/board.md must say the same within 3 %, where this is the compiler that it was made with.

    microcontroller_test.py [--cc arm-none-eabi-gcc]
"""
import argparse
import re
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PART = ROOT / "firmware_protocol"
HERE = Path(__file__).resolve().parent / "freestanding"

ALLOWED = {"memcpy", "memmove", "memset", "memcmp"}
LEAF_BYTES = 16
# Bytes. Some 15 % above what was measured when they were set: a rise beyond is to be seen, not to creep in.
LIMITS = {
    "cortex-m0plus": {"code": 19456, "static": 0, "state": 2400, "stack": 2144},
    "cortex-m4": {"code": 17664, "static": 0, "state": 2400, "stack": 2144},
}
FLAGS = ["-std=c11", "-Os", "-mthumb", "-ffreestanding", "-ffunction-sections", "-fdata-sections", "-fno-common", "-Wall", "-Wextra",
         "-Wpedantic", "-Wconversion", "-Wshadow", "-Werror", f"-I{HERE}", f"-I{PART}", f"-I{PART / 'include'}"]


def run(*command):
    done = subprocess.run([str(x) for x in command], capture_output=True, text=True)
    if done.returncode != 0:
        sys.exit(f"FAILED: {' '.join(str(x) for x in command[:1])} says\n{done.stdout}{done.stderr}")
    return done.stdout


def symbols(tools, obj):
    """name -> bytes of what an object defines, and the set of what it leaves undefined."""
    defined, undefined = {}, set()
    for line in run(tools + "nm", "-S", obj).splitlines():
        if match := re.match(r"[0-9a-f]+ ([0-9a-f]+) \w (\S+)$", line):
            defined[match[2]] = int(match[1], 16)
        elif match := re.match(r"\s+U (\S+)$", line):
            undefined.add(match[1])
    return defined, undefined


def handlers():
    """The request handlers, from the table that names them."""
    table = (PART / "device/core.c").read_text().split("kinds[] = {", 1)[1].split("};", 1)[0]
    return re.findall(r"(\w+)\}", table)


def call_graph(folder, problems):
    """function -> frame bytes, function -> callees; names of one file's own functions carry the file, as the compiler writes them."""
    frames, calls, by_plain_name = {}, {}, {}
    for ci in sorted(folder.glob("*.ci")):
        text = ci.read_text()
        for title, label in re.findall(r'node: \{ title: "([^"]+)" label: "([^"]*)"', text):
            if match := re.search(r"\\n(\d+) bytes \(([^)]*)\)", label):
                frames[title] = int(match[1])
                by_plain_name[title.split(":")[-1]] = title
                if match[2] != "static":
                    problems.append(f"{title}: its frame is {match[2]}")
        edges = r'edge: \{ sourcename: "([^"]+)" targetname: "([^"]+)" label: "([^"]*)"'
        for source, target, place in re.findall(edges, text):
            calls.setdefault(source, set()).add((target, place))
    graph = {name: set() for name in frames}
    for source, found in calls.items():
        for target, place in found:
            if target != "__indirect_call":
                graph.setdefault(source, set()).add(target)
                continue
            file, line = place.rsplit(":", 2)[0:2]
            code = Path(file).read_text().splitlines()[int(line) - 1]
            if "handler(" in code:
                graph[source] |= {by_plain_name[name] for name in handlers()}
            elif not re.search(r"\b(hal|usb)->", code):
                problems.append(f"{place}: a call through a pointer that is neither a handler nor the board's: {code.strip()}")
    return frames, graph


def add_library_functions(tools, linked, frames, graph):
    """libgcc's functions: all that they push, wherever it stands in them, and the functions they call."""
    name = None
    for line in run(tools + "objdump", "-dr", linked).splitlines():
        if match := re.match(r"[0-9a-f]+ <([^>]+)>:$", line):
            name = match[1] if match[1] not in frames else None
            known = {title.split(":")[-1].split(".")[0] for title in frames}
            if name and name.split(".")[0] in known:
                name = None
            if name:
                frames[name], graph[name] = 0, set()
        elif name and (match := re.search(r"\t(?:push|stmdb\s+sp!,)\s*\{([^}]*)\}", line)):
            frames[name] += 4 * sum(1 if "-" not in r else int(r.split("-")[1].strip()[1:]) - int(r.split("-")[0].strip()[1:]) + 1
                                    for r in match[1].split(","))
        elif name and (match := re.search(r"\tsub\s+sp,(?: sp,)? #(\d+)", line)):
            frames[name] += int(match[1])
        elif name and (match := re.search(r"R_ARM_(?:THM_CALL|THM_JUMP\d+|CALL)\s+(\S+)", line)):
            if match[1] != name and not match[1].startswith("."):
                graph[name].add(match[1])
    at = {}  # names for one place: the disassembly has but one of them
    listed = run(tools + "objdump", "-t", linked)
    for value, section, other in re.findall(r"^([0-9a-f]+) .{7} (\S+)\t[0-9a-f]+ (?:\.hidden )?(\S+)$", listed, re.M):
        at.setdefault((section, int(value, 16) & ~1), []).append(other)
    for names in at.values():
        measured = next((n for n in names if n in frames), None)
        for n in names if measured else ():
            frames.setdefault(n, frames[measured])
            graph.setdefault(n, graph[measured])


def deepest(frames, graph, problems):
    """(bytes, path) of the deepest chain of calls."""
    done, open_now = {}, []

    def walk(name):
        if name in done:
            return done[name]
        if name in open_now:
            problems.append("recursion: " + " > ".join(open_now[open_now.index(name):] + [name]))
            return 0, []
        if name not in frames and name not in ALLOWED:
            problems.append(f"{name}: is called, and its frame is not known")
        open_now.append(name)
        below = max((walk(callee) for callee in sorted(graph.get(name, ()))), default=(0, []))
        open_now.pop()
        done[name] = (frames.get(name, LEAF_BYTES) + below[0], [name, *below[1]])
        return done[name]

    return max(walk(name) for name in sorted(frames))


def measure(cc, cpu, folder):
    tools = cc.removesuffix("gcc")
    problems = []
    objects = []
    for source in sorted(PART.glob("*/*.c")):
        objects.append(folder / f"{source.parent.name}_{source.stem}.o")
        run(cc, f"-mcpu={cpu}", *FLAGS, "-fcallgraph-info=su", "-c", source, "-o", objects[-1])
    assert len(objects) > 10, "the sources are not where they are looked for"
    linked = folder / "linked.o"
    run(cc, f"-mcpu={cpu}", "-mthumb", "-nostdlib", "-Wl,-r", "-o", linked, *objects, "-lgcc")

    _, undefined = symbols(tools, linked)
    if undefined - ALLOWED:
        problems.append("undefined: " + ", ".join(sorted(undefined - ALLOWED)))
    sizes = [line.split()[:3] for line in run(tools + "size", linked).splitlines()[1:]]
    code, static = int(sizes[0][0]), int(sizes[0][1]) + int(sizes[0][2])

    ram = folder / "ram.obj"
    run(cc, f"-mcpu={cpu}", *FLAGS, "-c", HERE / "ram.c", "-o", ram)
    placed, _ = symbols(tools, ram)

    frames, graph = call_graph(folder, problems)
    add_library_functions(tools, linked, frames, graph)
    stack, path = deepest(frames, graph, problems)

    measured = {"code": code, "static": static, "state": placed["core_state"], "stack": stack, "arena, least": placed["arena_2112"],
                "arena for": placed["arena_18592_twice"]}
    limits = LIMITS[cpu]
    print(f"{cpu}: code and constants {code}, static data {static}, state of one core {placed['core_state']}, deepest stack {stack} bytes")
    print(f"   arena for 2112-byte pages {placed['arena_2112']}, for 18592-byte pages twice over {placed['arena_18592_twice']}")
    print("   deepest: " + " > ".join(re.sub(r"^.*:", "", f"{name} {frames.get(name, LEAF_BYTES)}") for name in path))
    print("   left to the board's C library: " + ", ".join(sorted(undefined)))
    problems += [f"{what}: {measured[what]} bytes, limit {limits[what]}" for what in limits if measured[what] > limits[what]]
    return [f"{cpu}: {p}" for p in problems], measured


def wrong_in_document(cpu, measured):
    """Figures of docs/board.md that are more than 3 % from those measured; its rows begin with one of our words."""
    lines = (ROOT / "docs/board.md").read_text().splitlines()
    head = next(line for line in lines if "Cortex-M0+" in line and line.startswith("|"))
    column = [cell.strip() for cell in head.split("|")].index({"cortex-m0plus": "Cortex-M0+", "cortex-m4": "Cortex-M4"}[cpu])
    rows = {"code": "code and", "static": "static data", "state": "state of", "stack": "deepest stack"}
    for what, real in measured.items():
        row = next(line for line in lines if line.startswith("| " + rows.get(what, what)))
        said = float(row.split("|")[column].replace("kB", "")) * 1000
        if abs(said - real) > 0.03 * real:
            yield f"{cpu}: docs/board.md says {said:.0f} bytes, measured {real}: {row}"


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--cc", default="arm-none-eabi-gcc")
    args = parser.parse_args()
    problems = []
    for cpu in LIMITS:
        with tempfile.TemporaryDirectory() as folder:
            wrong, measured = measure(args.cc, cpu, Path(folder))
            problems += wrong
        if run(args.cc, "-dumpfullversion").startswith("12.2."):
            problems += wrong_in_document(cpu, measured)
    for problem in problems:
        print("WRONG " + problem)
    sys.exit(1 if problems else 0)


main()
