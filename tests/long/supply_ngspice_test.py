#!/usr/bin/env python3
"""The supply analysis against an independent circuit simulator, with values drawn at random.

Two netlists, written out below: a stick behind a ramped, limited supply (input capacitor, regulator with foldback, output
capacitor, a controller's current) and a capacitor attached hot through a resistor. ngspice simulates them; what steadycell
says of the trace must be the values that were drawn. Run with a time limit in mind: a minute or two.

    supply_ngspice_test.py [ROUNDS]     STEADYCELL_BIN names the folder of the built program

Exit code 0: right, 1: wrong, 77: ngspice is not installed (said loudly).
"""
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

RAMP_STICK = """* a stick on a ramped supply
Vset set 0 PWL(0 0 0.02 0 0.021 {volts})
Bpass set shm I = {limit}*tanh((V(set)-V(shm))/(0.05*{limit}))
Vm shm port 0
Rlead port vb {lead}
Cin vb 0 {c_in}
Rshort vb 0 {short}
Vss ss 0 PWL(0 0 0.02 0 0.0217 3.3)
Bt vt 0 V = min(V(ss), max(0, V(vb)-0.25))
Breg vb vo I = (0.08+0.22*max(0,V(vo))/3.3)*tanh(max(0,4*(V(vt)-V(vo)))/(0.08+0.22*max(0,V(vo))/3.3))
Cout vo 0 {c_out}
Rleak vo 0 20k
Rsoft vo 0 {soft}
Vld ld 0 PWL(0 {reset} 0.030 {reset} 0.0301 {rom} 0.052 {rom} 0.0521 {work} 1 {work})
Bld vo 0 I = V(ld)*0.5*(1+tanh((V(vo)-2.4)/0.06))
.options method=gear reltol=1e-3
.tran 2u 0.4 0 10u
.control
run
set wr_singlescale
wrdata out.txt i(Vm) v(port)
quit
.endc
.end
"""

HOT_ATTACH = """* a capacitor attached hot through a resistor
Vp p 0 {volts}
Vm p port 0
S1 port a sw 0 closes
.model closes SW(VT=0.5 VH=0.1 RON=1m ROFF=1g)
Vsw sw 0 PWL(0 0 0.02 0 0.0200001 1)
R a c {r}
C c 0 {c} ic=0
.options method=gear reltol=1e-4
.tran 1u 0.03 0 0.5u uic
.control
run
set wr_singlescale
wrdata out.txt i(Vm) v(a)
quit
.endc
.end
"""


def simulate(folder, netlist, values):
    (folder / "board.cir").write_text(netlist.format(**values))
    done = subprocess.run(["ngspice", "-b", "board.cir"], cwd=folder, capture_output=True, text=True, timeout=300)
    if not (folder / "out.txt").exists():
        raise RuntimeError(f"ngspice gave no result: {done.stdout[-400:]}{done.stderr[-400:]}")
    return [tuple(float(x) for x in line.split()[:3]) for line in (folder / "out.txt").read_text().splitlines()]


def averaged(points, step, end):
    """Means over equal intervals by the trapezoid rule on the simulator's own uneven points: charge is kept."""
    rows, at = [], 0
    count = round(end / step)
    sums = [[0.0, 0.0] for _ in range(count)]
    for (t0, i0, v0), (t1, i1, v1) in zip(points, points[1:]):
        if t1 <= t0:
            continue
        a = t0
        while a < t1 and a < end:
            k = min(int(a / step + 1e-9), count - 1)
            b = min(t1, (k + 1) * step)
            if b <= a:
                b = t1
            share = lambda x0, x1, t: x0 + (x1 - x0) * (t - t0) / (t1 - t0)
            sums[k][0] += (share(i0, i1, a) + share(i0, i1, b)) / 2 * (b - a)
            sums[k][1] += (share(v0, v1, a) + share(v0, v1, b)) / 2 * (b - a)
            a = b
    for k, (charge, volts) in enumerate(sums):
        rows.append((k * step, charge / step * 1e3, volts / step))
    return rows


def diagnose(folder, rows, noise, rng, limit):
    lines = ["# sample_kind: averaged", "# rail: vbus", f"# limit_mA: {limit:.0f}", "time_s,current_mA,vbus_V"]
    lines += [f"{t:.6f},{i + rng.gauss(0, noise):.4f},{v:.4f}" for t, i, v in rows]
    (folder / "trace.csv").write_text("\n".join(lines) + "\n")
    done = subprocess.run([str(Path(os.environ["STEADYCELL_BIN"]).resolve() / "steadycell"), "supply", "diagnose", "trace.csv", "--json"],
                          cwd=folder, capture_output=True, text=True, timeout=60)
    if done.returncode != 0:
        raise RuntimeError(done.stdout + done.stderr)
    return json.loads(done.stdout)


wrong = []


def near(what, got, expected, share, absolute=0.0):
    good = abs(got - expected) <= share * abs(expected) + absolute
    print(f"   {'ok   ' if good else 'WRONG'} {what}: {got:.4g}, drawn {expected:.4g}")
    if not good:
        wrong.append(what)


def stick(folder, rng):
    kind = rng.choice(["whole", "soft short", "short"])
    v = {"volts": 5.05, "lead": rng.uniform(0.2, 0.6), "c_in": rng.uniform(2.5e-6, 20e-6), "c_out": rng.uniform(1e-6, 10e-6),
         "short": 1e9, "soft": 1e9, "reset": rng.uniform(2e-3, 8e-3), "rom": rng.uniform(9e-3, 16e-3), "work": rng.uniform(18e-3, 40e-3), "limit": 0.5}
    if kind == "soft short":
        v["soft"] = rng.uniform(15, 45)
    if kind == "short":
        v["short"], v["limit"] = rng.uniform(0.3, 3), 0.1
    print(f"stick, {kind}: " + ", ".join(f"{k} {x:.3g}" for k, x in v.items() if x < 1e8))
    points = simulate(folder, RAMP_STICK, v)
    for noise, share in ((0.0, 0.03), (0.32, 0.10)):
        said = diagnose(folder, averaged(points, 1e-4, 0.4), noise, rng, v["limit"] * 1e3)
        features, fault = said["features"], said["diagnoses"][0]["fault"]
        if kind == "short":
            print(f"   noise {noise}: {fault}")
            if fault != "vbus_short":
                wrong.append(f"a short of {v['short']:.2f} ohm is called {fault}")
            near("ohms at the port", features["early_V"] / features["early_mA"] * 1e3, v["short"] + v["lead"], share)
            continue
        # The charge that really flowed until 1 ms behind the ramp, by the trapezoid rule on the simulator's points.
        true = sum((i0 + i1) / 2 * (t1 - t0) for (t0, i0, _), (t1, i1, _) in zip(points, points[1:]) if 0.02 <= t0 and t1 <= 0.022)
        near(f"switch-on charge, uC, noise {noise}", features["switch_on_uC"]["value"], true * 1e6, share)
        near(f"input capacitance, uF, noise {noise}", features["input_uF"]["value"], v["c_in"] * 1e6, max(share, 0.06))
        extra = 3.3 / v["soft"] if kind == "soft short" else 0
        near(f"end level, mA, noise {noise}", features["steady_mA"]["value"], (v["work"] + extra) * 1e3, 0.03, 0.3)
        if (fault == "rail_short") != (kind == "soft short"):
            wrong.append(f"{kind} is called {fault}")


def hot_attach(folder, rng):
    v = {"volts": 5.0, "r": rng.uniform(5, 20), "c": rng.uniform(5e-6, 20e-6)}
    tau = v["r"] * v["c"]
    print(f"hot attach: r {v['r']:.3g}, c {v['c']:.3g}, tau {tau * 1e6:.1f} us")
    points = simulate(folder, HOT_ATTACH, v)
    for noise, share in ((0.0, 0.03), (0.32, 0.10)):
        said = diagnose(folder, averaged(points, 1e-5, 0.03), noise, rng, 500)
        features = said["features"]
        true = v["c"] * v["volts"]  # textbook: Q = C V, what is left after 1 ms is less
        flowed = sum((i0 + i1) / 2 * (t1 - t0) for (t0, i0, _), (t1, i1, _) in zip(points, points[1:]) if 0.02 <= t0 and t1 <= 0.021)
        near(f"charge, uC, noise {noise}", features["switch_on_uC"]["value"], min(true, flowed) * 1e6, share)
        if features["time_constant_us"]:
            near(f"time constant, us, noise {noise}", features["time_constant_us"]["value"], tau * 1e6, share)
        else:
            wrong.append("no time constant")


def main():
    if not shutil.which("ngspice"):
        print("SKIPPED: ngspice is not installed (Debian package ngspice): the supply analysis was NOT compared with it", file=sys.stderr)
        return 77
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 12
    seed = random.SystemRandom().randrange(1 << 32)
    print(f"seed {seed}")
    rng = random.Random(seed)
    for n in range(rounds):
        with tempfile.TemporaryDirectory(prefix="steadycell-") as folder:
            (hot_attach if n % 3 == 2 else stick)(Path(folder), rng)
    print(f"{rounds} circuits, {len(wrong)} wrong (seed {seed})" + "".join(f"\n  {w}" for w in wrong))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
