"""Accuracy and time of the solvers for planes, slots and vias, as tables in docs/planes.md."""

from __future__ import annotations

import importlib.util
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from scipy.optimize import brentq
from scipy.special import j0, j1, jnp_zeros, y0, y1

from quietcopper.fields import loss, plane_pair, plane_pair_solver, return_sheet, returns, slots, vias
from quietcopper.fields.cavity import Expansion, Pair, impedance
from quietcopper.fields.content import forget_all
from quietcopper.fields.section import CrossSection, Strip
from quietcopper.units import C0

MM = 1e-3
PAIR = Pair(0.2 * MM, 4.4, 0.02)
NONE = np.empty((0, 2))
FINE = 0.3  # mm, cells of the reference
AIM = "20 modes to 0.3 % in 3 s on two cores"
INTRODUCTION = [
    "# Solvers for planes, slots and vias: accuracy and time",
    "",
    "Written by `make bench` (`python -m benchmarks planes`). Times are those of one thread; where other work shares",
    "the machine the processor's seconds tell more than the clock's. Sources of the figures: tests of `fields`.",
]
ROWS: list[str] = []


def timed(call: Callable[..., Any], repeat: int = 3) -> tuple[Any, float, float]:
    """Result, the shortest time of some calls and its processor time, s, after one that compiles; what solvers keep of
    earlier calls is given up before each."""
    call()
    times = []
    for _ in range(repeat):
        forget_all()
        start, busy = time.perf_counter(), time.process_time()
        result = call()
        times.append((time.perf_counter() - start, time.process_time() - busy))
    return result, *min(times)


def say(*cells: object) -> None:
    """One row of a table in Markdown, printed and kept for the page."""
    ROWS.append(f"| {' | '.join(str(c) for c in cells)} |")
    print(ROWS[-1], flush=True)


def head(title: str, *names: str) -> None:
    """The beginning of a table."""
    ROWS.extend(["", f"## {title}", ""])
    print(f"\n{title}", flush=True)
    say(*names)
    say(*["---"] * len(names))


def pierced(width: float, height: float, count: int, ties: int, seed: int = 1) -> tuple[shapely.Polygon, np.ndarray]:
    """A plane of width x height mm with `count` antipads of 0.9 mm and a split of 0.8 mm, and places for vias; in m."""
    rng = np.random.default_rng(seed)
    x, end = 0.3 * width, 0.7 * height
    holes: list[np.ndarray] = []
    while len(holes) < count:
        p = rng.uniform([2, 2], [width - 2, height - 2])
        clear = not holes or np.min(np.hypot(*(np.array(holes) - p).T)) > 1.3
        if clear and not (abs(p[0] - x) < 1.5 and p[1] < end + 5):
            holes.append(p)
    cut = shapely.union_all([*(shapely.Point(p).buffer(0.45) for p in holes), shapely.box(x - 0.4, -10, x + 0.4, end)])
    shape = shapely.box(0, 0, width, height).difference(cut)
    shapely.prepare(shape)
    places: list[np.ndarray] = []
    while len(places) < ties:
        p = rng.uniform([1.5, 1.5], [width - 1.5, height - 1.5])
        free = not places or np.min(np.hypot(*(np.array(places) - p).T)) > 0.8
        if free and shapely.contains(shape, shapely.Point(p).buffer(0.35)):
            places.append(p)
    return shapely.transform(shape, lambda c: c * MM), np.array(places) * MM


def resonances(expansion: Expansion) -> np.ndarray:
    return PAIR.frequency(expansion.eigenvalues[expansion.resonances()])


def target() -> None:
    """The aim: 600 antipads, a split, 200 vias; 20 modes to 0.3 % and 400 frequencies in 3 s on two cores."""
    shape, ties = pierced(100, 80, 600, 200)
    ports = np.array([[5, 5], [90, 70], [50, 41], [20, 60]]) * MM
    highest = 5.3e9  # just above the twentieth mode
    frequency = np.linspace(10e6, highest, 400)
    head(
        "Plane pair of 100 x 80 mm with 600 antipads, a split and 200 stitching vias: 20 modes, 4 x 4 impedances at "
        f"400 frequencies (aim: {AIM})",
        "cell mm",
        "unknowns",
        "s",
        "processor s",
        "modes, worst %",
        "modes, rms %",
        "impedance, median %",
    )

    def run(cell: float | None) -> tuple[np.ndarray, np.ndarray, int]:
        solved = plane_pair_solver.solve(PAIR, shape, highest, ports, 0.15 * MM, cell, ties=ties, tie_radius=0.15 * MM)
        z = impedance(PAIR, solved.expansion, frequency, np.arange(4))
        return resonances(solved.expansion)[:20], z, int(solved.cell.max()) + 1

    fine, exact, count = run(FINE * MM)
    for cell in (1.2, 0.9, None, 0.45):
        (found, z, unknowns), spent, busy = timed(lambda c=cell: run(None if c is None else c * MM), 2)
        error = 100 * np.abs(found / fine - 1)
        name = "own choice" if cell is None else f"{cell:g}"
        rms = np.sqrt(np.mean(error**2))
        off = 100 * np.median(np.abs(np.einsum("fii->fi", z) / np.einsum("fii->fi", exact) - 1))
        say(name, unknowns, f"{spent:.2f}", f"{busy:.2f}", f"{error.max():.2f}", f"{rms:.2f}", f"{off:.2f}")
    say(f"{FINE:g} (reference)", count, "", "", "", "", "")


def shapes() -> None:
    """Modes against exact shapes and finite elements."""
    rectangle = shapely.box(0, 0, 100 * MM, 80 * MM)
    exact = plane_pair.modes(PAIR, 100 * MM, 80 * MM, 4e9).frequency[:20]
    disc = shapely.Point(0, 0).buffer(50 * MM, quad_segs=128)
    zeros = [np.repeat(jnp_zeros(m, 6), 2) for m in range(1, 12)] + [jnp_zeros(0, 6)]
    bessel = PAIR.frequency((np.sort(np.concatenate(zeros))[:20] / (50 * MM)) ** 2)
    path = Path(__file__).parents[1] / "tests/fields/plane_fem.py"
    spec = importlib.util.spec_from_file_location("plane_fem", path)
    assert spec is not None
    assert spec.loader is not None
    fem = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(fem)
    part = pierced(50, 40, 150, 0)[0]
    start = time.process_time()
    elements = PAIR.frequency(fem.eigenvalues(part, 0.35 * MM, 10))
    spent = time.process_time() - start
    head(
        "Modes without vias: the first 20 against exact figures, 10 of a plane with 150 antipads and a split against "
        f"second-order finite elements of 0.35 mm (themselves about 0.1 % high; {spent:.0f} s)",
        "shape",
        "cell mm",
        "unknowns",
        "worst %",
        "processor s",
    )
    cases = [
        ("rectangle 100 x 80 mm", rectangle, exact),
        ("the same turned by 30 degrees", shapely.affinity.rotate(rectangle, 30), exact),
        ("disc of 50 mm radius", disc, bessel),
        ("pierced and split", part, elements),
    ]
    for name, shape, reference in cases:
        for cell in (1.0, 0.5):
            solved, _, busy = timed(
                lambda s=shape, c=cell: plane_pair_solver.solve(PAIR, s, 5e9, NONE, 1e-4, c * MM), 1
            )
            error = np.max(np.abs(resonances(solved.expansion)[: len(reference)] / reference - 1))
            say(name, cell, int(solved.cell.max()) + 1, f"{100 * error:.3f}", f"{busy:.2f}")


def posts() -> None:
    """Vias that tie a pair, against figures of other methods."""
    head(
        "Vias that tie both planes: lowest mode",
        "case",
        "found GHz",
        "expected GHz",
        "off %",
        "source of the expected figure",
    )
    pair = Pair(0.2 * MM, 4.4)
    for pitch, expected in ((5, 7.573), (10, 3.323), (20, 1.497)):
        ties = (np.stack(np.meshgrid(np.arange(4), np.arange(3)), -1).reshape(-1, 2) + 0.5) * pitch * MM
        box = shapely.box(0, 0, 4 * pitch * MM, 3 * pitch * MM)
        _tied(f"lattice of vias, {pitch} mm", pair, box, ties, 0.15 * MM, expected, "finite elements of one cell")
    pair = Pair(0.2 * MM, 4.3)
    ties = np.column_stack([np.full(10, 60.0), (np.arange(10) + 0.5) * 8]) * MM
    wall = 60e-3 + 8 * MM / (2 * np.pi) * np.log(8 / (2 * np.pi * 0.15))
    _tied("fence of 8 mm across a board", pair, shapely.box(0, 0, 0.1, 0.08), ties, 0.15 * MM,
          C0 / np.sqrt(4.3) / 4 / wall * 1e-9, "fence theory, a moved wall")  # fmt: skip
    six = np.array([(x, y) for x in (5, 15) for y in (5, 15, 25)]) * MM
    _tied("six vias over one half of 40 x 30 mm (bare: 1.811)", pair, shapely.box(0, 0, 0.04, 0.03), six, 0.1 * MM,
          1.270, "full wave")  # fmt: skip
    k = brentq(lambda k: j0(k * 1e-3) * y1(k * 20e-3) - y0(k * 1e-3) * j1(k * 20e-3), 5.0, 150.0)
    disc = shapely.Point(0, 0).buffer(20 * MM, quad_segs=64)
    _tied("post of 1 mm radius in a disc", pair, disc, np.zeros((1, 2)), 1 * MM, float(pair.frequency(k**2)) * 1e-9,
          "exact, Bessel functions")  # fmt: skip


def _tied(
    name: str, pair: Pair, shape: shapely.Polygon, ties: np.ndarray, radius: float, expected: float, source: str
) -> None:
    e = plane_pair_solver.solve(pair, shape, 1.3e9 * expected, NONE, 1e-4, ties=ties, tie_radius=radius).expansion
    found = float(pair.frequency(e.eigenvalues[e.resonances()][0])) * 1e-9
    say(name, f"{found:.4f}", f"{expected:.4f}", f"{100 * (found / expected - 1):+.2f}", source)


def ports() -> None:
    """Impedances of a bare rectangle: closed series against the grid."""
    rng = np.random.default_rng(3)
    cells = rng.permutation(np.stack(np.meshgrid(np.arange(12), np.arange(9)), -1).reshape(-1, 2))[:40]
    points = ((cells + 0.5) * 8 + 2 + rng.uniform(-3, 3, (40, 2))) * MM
    f = np.geomspace(10e6, 3e9, 100)
    series, _, first = timed(lambda: plane_pair.expand(PAIR, 0.1, 0.08, 3e9, points, 0.15 * MM), 1)
    box = shapely.box(0, 0, 0.1, 0.08)
    grid, _, second = timed(lambda: plane_pair_solver.solve(PAIR, box, 3e9, points, 0.15 * MM).expansion, 1)
    one, two = (impedance(PAIR, e, f, np.arange(40)) for e in (series, grid))
    own = np.abs(np.einsum("fii->fi", two) / np.einsum("fii->fi", one) - 1)
    head(
        "40 ports of a rectangle, 10 MHz to 3 GHz: the grid against the closed double series",
        "self impedance, median %",
        "worst % (flanks of resonances)",
        "series, processor s",
        "grid, processor s",
    )
    say(f"{100 * np.median(own):.3f}", f"{100 * own.max():.2f}", f"{first:.2f}", f"{second:.2f}")


def openings() -> None:
    """Slots: the solution, the quick estimate and the printed rule."""
    head("Slot 0.25 mm wide under a trace, h 0.2, w 0.35 mm: nH", "length mm", "solved", "quick", "printed rule", "ms")
    for length in (1, 2, 5, 10, 25, 50):
        figures = (length * MM, 0.25 * MM, 0.2 * MM, 0.35 * MM)
        solved, _, busy = timed(lambda f=figures: slots.solve_slot(*f))
        quick = returns.slot_inductance(*figures)
        rule = returns.printed_slot_rule(length * MM, 0.35 * MM)
        say(length, f"{solved * 1e9:.3f}", f"{quick * 1e9:.3f}", f"{rule * 1e9:.2f}", f"{1e3 * busy:.0f}")


def return_current() -> None:
    """The return current on a sheet: excess inductance of slots against the aperture solution, by cells."""
    head(
        "Return current on a sheet: excess inductance of a slot 10 x 0.5 mm in a plane of 40 x 40 mm (h 0.5, w 0.5 mm) "
        "against the aperture solution",
        "cell mm",
        "cells",
        "frequency",
        "off %",
        "iterations",
        "s",
    )
    plane = shapely.box(-20 * MM, -20 * MM, 20 * MM, 20 * MM)
    slot = plane.difference(shapely.box(-0.25 * MM, -5 * MM, 0.25 * MM, 5 * MM))
    exact = slots.solve_slot(10 * MM, 0.5 * MM, 0.5 * MM, 0.5 * MM)
    trace = return_sheet.Trace(np.array([[-15, 0], [15, 0]]) * MM, 0.5 * MM, 0.5 * MM)
    ends = trace.way[[1, 0]]
    for cell in (0.5, 0.25, 0.125):
        grids = [return_sheet.cells(shape, cell * MM) for shape in (plane, slot)]
        for frequency in (np.inf, 1e9):
            sheet = 0j if np.isinf(frequency) else return_sheet.surface_impedance(frequency, 35e-6)
            (bare, *_), (cut, spent, _) = (
                timed(lambda g=g, f=frequency, z=sheet: return_sheet.solve(g, trace, *ends, f, z), 1) for g in grids
            )
            off = 100 * ((cut.inductance - bare.inductance) / exact - 1)
            name = "no losses" if np.isinf(frequency) else "1 GHz, copper"
            say(cell, grids[0].copper.size, name, f"{off:+.1f}", cut.iterations, f"{spent:.2f}")


def _by_sheet(opening: shapely.Geometry) -> float:
    """Excess inductance of an opening (mm) under a line through its middle, in a plane of 24 mm, H."""
    plane = shapely.box(-12, -12, 12, 12)
    trace = return_sheet.Trace(np.array([[-9, 0], [9, 0]]) * MM, 0.2 * MM, 0.35 * MM)
    found = []
    for cell in (0.1, 0.05):
        grids = [
            return_sheet.cells(shapely.transform(shape, lambda c: c * MM), cell * MM)
            for shape in (plane, plane.difference(opening))
        ]
        bare, cut = (return_sheet.solve(g, trace, *trace.way[[1, 0]]).inductance for g in grids)
        found.append(cut - bare)
    return 2 * found[1] - found[0]


def crossings() -> None:
    """Openings that several lines cross, as the checks solve them."""
    head(
        "Openings of any shape with all lines that cross them (h 0.2, w 0.35 mm): rectangles against their own "
        "solution, other shapes against the return current on a sheet, extrapolated from cells of 0.1 and 0.05 mm",
        "opening",
        "lines",
        "nH of the first",
        "expected",
        "off %",
        "ms",
    )
    lines = np.linspace(-3, 3, 8) * MM
    for name, shape, offsets in (
        ("slot 10 x 0.5 mm", shapely.box(-0.25, -5, 0.25, 5), lines[:1]),
        ("slot 10 x 0.5 mm", shapely.box(-0.25, -5, 0.25, 5), lines),
        ("disc of 4 mm", shapely.Point(0, 0).buffer(2, quad_segs=24), [0.0]),
        ("T of 10 x 0.5 and 2 x 1.5 mm", shapely.box(-0.25, -5, 0.25, 5).union(shapely.box(-1, 3.5, 1, 5)), [0.0]),
    ):
        metres = shapely.transform(shape, lambda c: c * MM)
        heights, widths = [0.2 * MM] * len(offsets), [0.35 * MM] * len(offsets)
        found, _, busy = timed(
            lambda m=metres, h=heights, w=widths, o=offsets: slots.solve_opening(m, h, w, o).inductance
        )
        if name.startswith("slot"):
            expected = slots.slot_matrix(10 * MM, 0.5 * MM, heights, widths, offsets)[0, 0]
        else:
            expected = _by_sheet(shape)
        off = 100 * (found[0, 0] / expected - 1)
        say(name, len(offsets), f"{found[0, 0] * 1e9:.3f}", f"{expected * 1e9:.3f}", f"{off:+.1f}", f"{1e3 * busy:.0f}")


def notches() -> None:
    """Notches open to the plane's edge: as openings, against the return current on a sheet."""
    head(
        "Notch open to the plane's edge, as an opening with what lies beyond: against the return current on a sheet of "
        "24 mm, extrapolated from cells of a half and a quarter of the notch's width; the resistance is that at 1 GHz",
        "beyond the line x width mm",
        "to the edge mm",
        "nH",
        "expected",
        "off %",
        "mohm",
        "ms",
    )
    for depth, gap, edge, height, width in ((5, 0.5, 10, 0.5, 0.5), (3, 0.25, 4, 0.2, 0.2), (2, 0.5, 1, 0.2, 0.2)):
        far, cut = 8 * depth, shapely.box(-gap / 2, -depth, gap / 2, edge + 1)
        plane, window = shapely.box(-far, -far, far, edge), shapely.box(-far, -far, far, far)
        around, closed = (
            shapely.transform(shape, lambda p: p * MM)
            for shape in (window.difference(plane.difference(cut)), window.difference(plane))
        )
        figures = gap * MM, height * MM, width * MM
        found, _, busy = timed(lambda a=around, c=closed, f=figures: slots.solve_notch(a, c, *f))
        plane = shapely.box(-12, -10, 12, edge)
        trace = return_sheet.Trace(np.array([[-10, 0], [10, 0]]) * MM, height * MM, width * MM)
        each = []
        for cell in (gap / 2, gap / 4):
            grids = [
                return_sheet.cells(shapely.transform(shape, lambda p: p * MM), cell * MM)
                for shape in (plane.difference(cut), plane)
            ]
            one, other = (return_sheet.solve(g, trace, *trace.way[[1, 0]]).inductance for g in grids)
            each.append(one - other)
        expected, own = 2 * each[1] - each[0], float(found.inductance[0, 0])
        spent = 1e3 * float(found.squares[0]) * return_sheet.surface_impedance(1e9, 35e-6).real
        off = 100 * (own / expected - 1)
        row = f"{own * 1e9:.3f}", f"{expected * 1e9:.3f}", f"{off:+.1f}", f"{spent:.0f}", f"{1e3 * busy:.0f}"
        say(f"{depth} x {gap}", edge, *row)


def edges() -> None:
    """Lines along a plane's edge: the section with its edge less that without, against the exact map."""
    head(
        "Line along the edge of a plane of 10 mm (h 0.2, w 0.01 mm, copper of 2 um): nH/m more than over an endless "
        "one, against the exact map; and with w 0.2 mm, copper of 35 um",
        "inside the edge mm",
        "solved",
        "exact",
        "off %",
        "real copper",
        "ohm/m more at 1 GHz",
        "ms",
    )
    square = return_sheet.surface_impedance(1e9, 35e-6).real

    def excess(inside: float, width: float, t: float, plane: float) -> tuple[float, float]:
        line, copper = Strip(0, 0.2 * MM, width, t), Strip((inside - 5) * MM, -plane, 10 * MM, plane)
        section = CrossSection((line,), (copper,), (), plane_below=False)
        loss._kept_loops.cache_clear()  # else only the first call is timed
        (one, crowd), (other, least) = loss.loop(section), loss.loop(CrossSection((line,), (), ()))
        return one - other, crowd - least

    for inside in (1.0, 0.5, 0.2, 0.0, -0.2, -0.5):
        thin, _, _ = timed(lambda x=inside: excess(x, 0.01 * MM, 2e-6, 1e-6), 1)
        real, _, busy = timed(lambda x=inside: excess(x, 0.2 * MM, 35e-6, 35e-6))
        exact = float(returns.edge_inductance(10 * MM, (5 - inside) * MM, 0.2 * MM))
        off = f"{100 * (thin[0] / exact - 1):+.2f}"
        say(inside, f"{thin[0] * 1e9:.2f}", f"{exact * 1e9:.2f}", off, f"{real[0] * 1e9:.2f}",
            f"{real[1] * square:.2f}", f"{1e3 * busy:.1f}")  # fmt: skip


def return_vias() -> None:
    """Return vias solved together."""
    head("Return vias on a 1 mm grid round a signal via, 1.6 mm high", "vias", "nH", "ms")
    near = np.array([(i, j) for i in range(-8, 9) for j in range(-8, 9) if (i, j) != (0, 0)])
    near = near[np.argsort(np.hypot(*near.T), kind="stable")] * MM
    for count in (1, 2, 4, 8, 24, 80):
        found, _, busy = timed(lambda n=count: vias.return_inductance(1.6 * MM, 0.15 * MM, near[:n], 0.15 * MM))
        say(count, f"{found * 1e9:.3f}", f"{1e3 * busy:.1f}")


def main() -> None:
    ROWS[:] = INTRODUCTION
    target()
    shapes()
    posts()
    ports()
    openings()
    return_current()
    crossings()
    notches()
    edges()
    return_vias()
    page = Path(__file__).parents[1] / "docs/planes.md"
    page.write_text("\n".join(ROWS) + "\n", encoding="utf-8")
    print(f"\nwritten to {page.name}")


if __name__ == "__main__":
    main()
