"""Full-wave reference: a line over a slot in its plane, and a via through a plane pair, in time domain (openEMS).

openEMS is a general-purpose field solver (finite differences in time) that Debian packages: ``apt-get install openems
python3-openems``. Run with the system's Python, which sees the bindings: ``/usr/bin/python3 full_wave.py slots``, then
``vias``. Each case takes one to ten minutes on one core. Writes ``slots.json`` and ``vias.json`` beside this file,
which ``tests/fields/test_full_wave.py`` compares with the quick solvers. Lengths here are millimetres.

slots: plane 60 x 40 with no thickness, er 4.4 lossless 0.5 thick over it, two lines 1.0 wide along x at y = 0 and 5,
each between two 50-ohm lumped ports; the first is driven. The slot is 0.5 wide at x = 0. Recorded: transmission of the
driven line and what arrives at the other line's ports.
vias: planes 40 x 30, 0.5 apart, er 4.3 with 0.02 S/m (so that it rings off); lines 0.35 wide, 0.2 over the upper and
0.2 under the lower plane, from the left along y = 3 to the via at (4, 3) and on to the right on the far side. Vias are
square posts one cell (0.2) wide, electrically round with radius 0.718 cells (lattice Green's function). Recorded:
transmission, and the voltage between the planes at two places per volt that the driven port sends.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path

import numpy as np

for name, kind in (("float", float), ("int", int), ("complex", complex), ("bool", bool)):
    if name not in np.__dict__:  # names that the bindings still use
        setattr(np, name, kind)

from CSXCAD import ContinuousStructure  # noqa: E402
from openEMS import openEMS  # noqa: E402

HERE = Path(__file__).parent
AIR = 15.0


def lines(spots: dict[float, float], ratio: float = 1.5, coarsest: float = 2.0) -> np.ndarray:
    """Mesh lines through all places, each with the cell it wants beside it, growing by `ratio` between."""
    order = sorted(spots)
    out = [order[0]]
    for a, b in pairwise(order):
        span, left, right = b - a, [], []
        sizes = [spots[a], spots[b]]
        while sum(left) + sum(right) < span:
            side = 0 if sizes[0] <= sizes[1] else 1
            (left, right)[side].append(sizes[side])
            sizes[side] = min(sizes[side] * ratio, coarsest)
        both = np.array(left + right[::-1])
        if len(both) > 1 and abs(np.sum(both[:-1]) - span) < abs(np.sum(both) - span):
            both = np.delete(both, np.argmax(both))
        both *= span / both.sum()
        out += [*(a + np.cumsum(both))[:-1], b]  # the places themselves without rounding
    return np.array(out)


def run(build, highest: float, frequency: np.ndarray, steps: int) -> tuple[dict, float]:
    solver = openEMS(NrTS=steps, EndCriteria=1e-5)
    solver.SetGaussExcite(highest / 2, highest / 2)
    solver.SetBoundaryCond(["MUR"] * 6)
    model = ContinuousStructure()
    solver.SetCSX(model)
    model.GetGrid().SetDeltaUnit(1e-3)
    ports, probes = build(solver, model)
    where = tempfile.mkdtemp()
    start = time.time()
    solver.Run(where, cleanup=False, verbose=0, numThreads=1)
    spent = time.time() - start
    for port in ports:
        port.CalcPort(where, frequency, ref_impedance=50)
    sent = ports[0].uf_inc
    result = {f"s{i + 1}1": port.uf_ref / sent for i, port in enumerate(ports)}
    for name in probes:
        table = np.loadtxt(os.path.join(where, name), comments="%")
        spectrum = np.exp(-2j * np.pi * np.outer(frequency, table[:, 0])) @ table[:, 1] * (table[1, 0] - table[0, 0])
        result[name] = 2 * spectrum / sent  # the ports' own transform counts one side of the spectrum, twice
    return result, spent


def listed(result: dict) -> dict:
    return {k: [[round(float(v.real), 6), round(float(v.imag), 6)] for v in values] for k, values in result.items()}


# --- slots -----------------------------------------------------------------------------------------------------------


def slot_case(reach: tuple[float, float] | None, behind: float | None, fine: float):
    """reach : y from and to of the slot, None for none; behind : distance of a solid plane below; fine : cell, mm."""
    h, w, g, er = 0.5, 1.0, 0.5, 4.4

    def build(solver, model):
        sheet = model.AddMetal("copper")
        laminate = model.AddMaterial("laminate", epsilon=er)
        low = -behind if behind else 0.0
        laminate.AddBox([-30, -20, 0], [30, 20, h])
        if behind:  # with loss, or the pair below the slot rings on for hundreds of nanoseconds
            model.AddMaterial("lossy", epsilon=er, kappa=0.02).AddBox([-30, -20, low], [30, 20, 0])
            sheet.AddBox([-30, -20, low], [30, 20, low], priority=10)
        if reach is None:
            sheet.AddBox([-30, -20, 0], [30, 20, 0], priority=10)
        else:
            for x0, x1 in ((-30, -g / 2), (g / 2, 30)):
                sheet.AddBox([x0, -20, 0], [x1, 20, 0], priority=10)
            for y0, y1 in ((-20, reach[0]), (reach[1], 20)):
                if y1 > y0:
                    sheet.AddBox([-g / 2, y0, 0], [g / 2, y1, 0], priority=10)
        ports = []
        for y in (0.0, 5.0):
            sheet.AddBox([-20, y - w / 2, h], [20, y + w / 2, h], priority=10)
        for number, (x, y) in enumerate(((-20, 0.0), (20, 0.0), (-20, 5.0), (20, 5.0))):
            start, stop = [x, y - w / 2, 0], [x, y + w / 2, h]
            ports.append(solver.AddLumpedPort(number + 1, 50, start, stop, "z", float(number == 0), priority=5))
        grid = model.GetGrid()
        ends = {v: fine for v in (reach or ()) if abs(v) < 20}
        grid.SetLines(
            "x", lines({-30 - AIR: 3, -30: 1, -20: 0.5, -g / 2: fine, g / 2: fine, 20: 0.5, 30: 1, 30 + AIR: 3})
        )
        edges = (-w / 2 - fine / 3, -w / 2 + 2 * fine / 3, w / 2 - 2 * fine / 3, w / 2 + fine / 3)
        rows = {round(v + s, 6): fine for v in (0.0, 5.0) for s in edges}
        grid.SetLines("y", lines({-20 - AIR: 3, -20: 1, 0: fine, **ends, **rows, 20: 1, 20 + AIR: 3}))
        grid.SetLines("z", lines({low - AIR: 3, low: fine, 0.0: fine, h: fine, h + AIR: 3}))
        probe = model.AddProbe("across", 0)
        probe.AddBox([-g / 2, 0, 0], [g / 2, 0, 0])
        return ports, ["across"]

    return build


def record(name: str, frequency: np.ndarray, cases: list) -> None:
    """Runs what the file does not hold yet: cases of (key, build, highest Hz, steps in time)."""
    path = HERE / name
    out = json.loads(path.read_text()) if path.exists() else {"frequency_hz": frequency.tolist(), "cases": {}}
    for key, build, highest, steps in cases:
        if key in out["cases"]:
            continue
        result, spent = run(build, highest, frequency, steps)
        out["cases"][key] = {"seconds": round(spent), **listed(result)}
        path.write_text(json.dumps(out, indent=1) + "\n")
        print(key, round(spent), "s", flush=True)


def slots() -> None:
    frequency = np.array([0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 1.5, 2.0, 2.5, 3.0]) * 1e9
    reaches = {"none": None, "closed 20": (-10.0, 10.0), "open": (-10.0, 20.0)}
    cases = []
    for fine in (0.25, 0.167):
        for behind, where in ((None, ""), (0.5, " over plane")):
            for name, reach in reaches.items():
                key = f"{name}{where}, cell {fine:g}"
                cases.append((key, slot_case(reach, behind, fine), 5e9, int(12_000 * 0.25 / fine)))
    record("slots.json", frequency, cases)


# --- vias ------------------------------------------------------------------------------------------------------------


def via_case(returns: list[tuple[float, float]], fine: float):
    """returns : where vias join both planes; fine : cell beside the vias, mm."""
    d, h, w, er, loss, post, antipad = 0.5, 0.2, 0.35, 4.3, 0.02, 0.2, 0.8
    vx, vy = 4.0, 3.0

    def build(solver, model):
        sheet = model.AddMetal("copper")
        laminate = model.AddMaterial("laminate", epsilon=er, kappa=loss)
        laminate.AddBox([-20, -15, -h], [20, 15, d + h])
        a = antipad / 2
        for z in (0.0, d):
            for x0, x1, y0, y1 in (
                (-20, vx - a, -15, 15),
                (vx + a, 20, -15, 15),
                (vx - a, vx + a, -15, vy - a),
                (vx - a, vx + a, vy + a, 15),
            ):
                sheet.AddBox([x0, y0, z], [x1, y1, z], priority=10)
        p = post / 2
        sheet.AddBox([vx - p, vy - p, -h], [vx + p, vy + p, d + h], priority=10)
        for x, y in returns:
            sheet.AddBox([x - p, y - p, 0], [x + p, y + p, d], priority=10)
        sheet.AddBox([-15, vy - w / 2, d + h], [vx + p, vy + w / 2, d + h], priority=10)
        sheet.AddBox([vx - p, vy - w / 2, -h], [15, vy + w / 2, -h], priority=10)
        ports = [
            solver.AddLumpedPort(1, 50, [-15, vy - w / 2, d], [-15, vy + w / 2, d + h], "z", 1.0, priority=5),
            solver.AddLumpedPort(2, 50, [15, vy - w / 2, 0], [15, vy + w / 2, -h], "z", 0.0, priority=5),
        ]
        probes = {"far": (-12.0, -8.0), "near": (4.0, 6.0)}
        for name, (x, y) in probes.items():
            model.AddProbe(name, 0).AddBox([x, y, 0], [x, y, d])
        grid = model.GetGrid()
        x = {-20 - AIR: 3, -20: 1, -15: 0.4, -12: 1, vx - a: fine, vx + a: fine, 15: 0.4, 20: 1, 20 + AIR: 3}
        y = {-15 - AIR: 3, -15: 1, -8: 1, vy - a: fine, vy + a: fine, vy - w / 2: fine, vy + w / 2: fine}
        y |= {6: 0.5, 15: 1, 15 + AIR: 3}
        for px, py in ((vx, vy), *returns):
            x |= {px - p: fine, px + p: fine}
            y |= {py - p: fine, py + p: fine}
        grid.SetLines("x", lines({round(k, 6): v for k, v in x.items()}))
        grid.SetLines("y", lines({round(k, 6): v for k, v in y.items()}))
        grid.SetLines("z", lines({-h - AIR: 3, -h: 0.1, 0: 0.1, d: 0.1, d + h: 0.1, d + h + AIR: 3}))
        return ports, list(probes)

    return build


def vias() -> None:
    frequency = np.concatenate([np.arange(0.1, 1.0, 0.1), np.arange(1.0, 4.01, 0.1)]) * 1e9
    beside = {
        "none": [],
        "one at 1": [(4.0, 4.0)],
        "one at 5": [(4.0, -2.0)],
        "four at 1.4": [(5.0, 4.0), (3.0, 4.0), (5.0, 2.0), (3.0, 2.0)],
    }
    cases = [(key, via_case(places, 0.2), 5e9, 45_000) for key, places in beside.items()]
    record("vias.json", frequency, cases)


if __name__ == "__main__":
    {"slots": slots, "vias": vias}[sys.argv[1]]()
