"""Accuracy and time of the solvers for planes, slots and vias. Run with ``python -m benchmarks.planes``."""

from __future__ import annotations

import importlib.util
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from scipy.special import jnp_zeros

from quietcopper.fields import plane_pair, plane_pair_solver, returns, slots, vias
from quietcopper.fields.cavity import Expansion, Pair, impedance

MM = 1e-3
PAIR = Pair(0.2 * MM, 4.4, 0.02)
NONE = np.empty((0, 2))


def timed(call: Callable[[], Any], repeat: int = 3) -> tuple[Any, float]:
    """Result and the shortest time of some calls, s, after one that compiles."""
    call()
    times = []
    for _ in range(repeat):
        start = time.perf_counter()
        result = call()
        times.append(time.perf_counter() - start)
    return result, min(times)


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
    points = np.vstack([[[5 * MM, 5 * MM], [90 * MM, 70 * MM], [50 * MM, 41 * MM], [20 * MM, 60 * MM]], ties])
    highest = 6.5e9
    frequency = np.linspace(10e6, highest, 400)
    print("100 x 80 mm, 600 antipads, split, 200 vias: 20 modes of the stitched pair and 4 x 4 Z at 400 frequencies")
    print("cell mm    cells   unknowns     s    worst %    rms %  (against 0.25 mm)")

    def run(cell: float | None) -> tuple[np.ndarray, int, int]:
        solved = plane_pair_solver.solve(PAIR, shape, highest, points, 0.15 * MM, cell)
        tied = solved.expansion.shorted(np.arange(4, 204))
        impedance(PAIR, tied, frequency, np.arange(4))
        return resonances(tied)[:20], solved.grid.volume.size, int(solved.cell.max()) + 1

    fine = run(0.25 * MM)[0]
    for cell in (1.2, 0.9, None, 0.45):
        (found, cells, unknowns), spent = timed(lambda c=cell: run(None if c is None else c * MM), 2)
        error = 100 * np.abs(found / fine - 1)
        name = "own" if cell is None else f"{cell:g}"
        rms = np.sqrt(np.mean(error**2))
        print(f"{name:<8}{cells:>8}{unknowns:>11}{spent:>7.2f}{error.max():>10.2f}{rms:>9.2f}")


def shapes() -> None:
    """Modes against exact shapes and finite elements."""
    print("\nmodes without vias, worst of the first 20 (10 for the pierced one)")
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
    elements, spent = timed(lambda: PAIR.frequency(fem.eigenvalues(part, 0.35 * MM, 10)), 1)
    print(f"(finite elements, P2, 0.35 mm, for the pierced one: {spent:.1f} s, themselves 0.1 % high)")
    cases = [
        ("rectangle", rectangle, exact),
        ("turned 30 degrees", shapely.affinity.rotate(rectangle, 30), exact),
        ("disc", disc, bessel),
        ("pierced, split", part, elements),
    ]
    for name, shape, reference in cases:
        for cell in (1.0, 0.5):
            solved, spent = timed(lambda s=shape, c=cell: plane_pair_solver.solve(PAIR, s, 5e9, NONE, 1e-4, c * MM), 2)
            error = np.max(np.abs(resonances(solved.expansion)[: len(reference)] / reference - 1))
            print(f"  {name:<20}{cell:>5.1f} mm  {100 * error:>7.3f} %  {spent:>6.2f} s")


def ports() -> None:
    """Impedances of a bare rectangle: closed series against the grid."""
    rng = np.random.default_rng(3)
    cells = rng.permutation(np.stack(np.meshgrid(np.arange(12), np.arange(9)), -1).reshape(-1, 2))[:40]
    points = ((cells + 0.5) * 8 + 2 + rng.uniform(-3, 3, (40, 2))) * MM
    f = np.geomspace(10e6, 3e9, 100)
    series, first = timed(lambda: plane_pair.expand(PAIR, 0.1, 0.08, 3e9, points, 0.15 * MM), 2)
    box = shapely.box(0, 0, 0.1, 0.08)
    grid, second = timed(lambda: plane_pair_solver.solve(PAIR, box, 3e9, points, 0.15 * MM).expansion, 2)
    one, two = (impedance(PAIR, e, f, np.arange(40)) for e in (series, grid))
    own = np.abs(np.einsum("fii->fi", two) / np.einsum("fii->fi", one) - 1)
    print(f"\n40 ports of a rectangle, 10 MHz to 3 GHz: series {first:.2f} s, grid {second:.2f} s;", end=" ")
    print(f"self impedance median {100 * np.median(own):.3f} %, worst {100 * own.max():.2f} %")


def openings() -> None:
    """Slots: the solution, the quick estimate and the printed rule."""
    print("\nslot under a trace, h 0.2, w 0.35, slot 0.25 mm wide: nH solved, quick, printed rule; ms")
    for length in (1, 2, 5, 10, 25, 50):
        figures = (length * MM, 0.25 * MM, 0.2 * MM, 0.35 * MM)
        solved, spent = timed(lambda f=figures: slots.solve_slot(*f))
        quick = returns.slot_inductance(*figures)
        rule = returns.printed_slot_rule(length * MM, 0.35 * MM)
        print(f"  {length:>3} mm {solved * 1e9:>8.3f}{quick * 1e9:>8.3f}{rule * 1e9:>8.2f}{1e3 * spent:>8.1f}")


def return_vias() -> None:
    """Return vias solved together."""
    print("\nreturn vias on a 1 mm grid round a signal via, 1.6 mm high: nH and ms")
    near = np.array([(i, j) for i in range(-8, 9) for j in range(-8, 9) if (i, j) != (0, 0)])
    near = near[np.argsort(np.hypot(*near.T), kind="stable")] * MM
    for count in (1, 2, 4, 8, 24, 80):
        found, spent = timed(lambda n=count: vias.return_inductance(1.6 * MM, 0.15 * MM, near[:n], 0.15 * MM))
        print(f"  {count:>3}{found * 1e9:>9.3f}{1e3 * spent:>9.2f}")


def main() -> None:
    target()
    shapes()
    ports()
    openings()
    return_vias()


if __name__ == "__main__":
    main()
