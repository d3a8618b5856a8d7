"""Plane pairs of any shape: exact shapes, finite elements, the rectangle's series, splits of any width, refusals."""

from __future__ import annotations

import importlib.util
from itertools import pairwise
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose
from scipy.special import jnp_zeros

from quietcopper.errors import CallError, OutOfRange
from quietcopper.fields import plane_grid, plane_modes, plane_pair, plane_pair_solver
from quietcopper.fields.cavity import Pair, impedance, vias

MM = 1e-3
PAIR = Pair(0.2 * MM, 4.4, 0.02)
NONE = np.empty((0, 2))


@pytest.fixture(scope="module")
def fem() -> ModuleType:
    spec = importlib.util.spec_from_file_location("plane_fem", Path(__file__).with_name("plane_fem.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def first(solved: plane_pair_solver.PlanePair, count: int) -> np.ndarray:
    """The first eigenvalues above zero."""
    e = solved.expansion
    return e.eigenvalues[e.resonances()][:count]


def pierced() -> shapely.Polygon:
    """30 x 24 mm with 48 antipads of 0.9 mm in rows and at random, and a 0.5 mm split over two thirds of it."""
    rng = np.random.default_rng(4)
    places = [np.array([3 + 1.27 * i, 4 + 1.27 * j]) for i in range(6) for j in range(3)]
    while len(places) < 48:
        p = rng.uniform([1, 1], [29, 23])
        if min(np.hypot(*(p - q)) for q in places) > 1.3 and not (16 < p[0] < 19 and p[1] < 17):
            places.append(p)
    holes = shapely.union_all([shapely.Point(p).buffer(0.45) for p in places])
    shape = shapely.box(0, 0, 30, 24).difference(holes).difference(shapely.box(17.2, -1, 17.7, 16))
    return shapely.transform(shape, lambda c: c * MM)


def test_rectangle() -> None:
    """Row C1 (exact): 15 modes of 100 x 80 mm within 0.02 %, the degenerate ones among them."""
    solved = plane_pair_solver.solve(PAIR, shapely.box(0, 0, 100 * MM, 80 * MM), 3e9, NONE, 1e-4)
    exact = plane_pair.modes(PAIR, 100 * MM, 80 * MM, 3e9).frequency
    assert_allclose(PAIR.frequency(first(solved, len(exact))), exact, rtol=2e-4)
    assert_allclose(solved.capacitance, 1.5583e-9, rtol=5e-5)  # row C6


def test_degenerate_modes_are_all_there() -> None:
    """A square has pairs of equal modes; (5,0), (0,5), (4,3), (3,4) even share one eigenvalue."""
    solved = plane_pair_solver.solve(PAIR, shapely.box(0, 0, 50 * MM, 50 * MM), 8e9, NONE, 1e-4)
    exact = np.sort([m * m + n * n for m in range(9) for n in range(9)])[1:25] * (np.pi / (50 * MM)) ** 2
    assert_allclose(first(solved, 24), exact, rtol=1e-3)


def test_turned_rectangle_and_circle() -> None:
    """Edges across the cells (exact): 20 modes within 0.04 % turned by 30 degrees and of a disc."""
    turned = shapely.affinity.rotate(shapely.box(0, 0, 100 * MM, 80 * MM), 30)
    exact = plane_pair.modes(PAIR, 100 * MM, 80 * MM, 4e9).frequency[:20]
    solved = plane_pair_solver.solve(PAIR, turned, 4e9, NONE, 1e-4)
    assert_allclose(PAIR.frequency(first(solved, 20)), exact, rtol=4e-4)
    disc = shapely.Point(0, 0).buffer(50 * MM, quad_segs=128)
    zeros = [np.repeat(jnp_zeros(m, 6), 2) for m in range(1, 12)] + [jnp_zeros(0, 6)]
    solved = plane_pair_solver.solve(PAIR, disc, 4e9, NONE, 1e-4)
    assert_allclose(np.sqrt(first(solved, 20)), np.sort(np.concatenate(zeros))[:20] / (50 * MM), rtol=4e-4)


def test_l_shape_settles_under_refinement(fem: ModuleType) -> None:
    """Three cell sizes approach each other, and finite elements: 0.1 % (the inner corner's field is singular)."""
    shape = shapely.box(0, 0, 60 * MM, 50 * MM).difference(shapely.box(25 * MM, 20 * MM, 90 * MM, 90 * MM))
    sizes = [1.3 * MM, 0.65 * MM, 0.325 * MM]
    found = [np.sqrt(first(plane_pair_solver.solve(PAIR, shape, 5e9, NONE, 1e-4, s), 8)) for s in sizes]
    steps = [np.max(np.abs(a / b - 1)) for a, b in pairwise(found)]
    assert steps[1] < 0.6 * steps[0]
    assert_allclose(found[1], np.sqrt(fem.eigenvalues(shape, 1.5 * MM, 8)), rtol=1.5e-3)


@pytest.mark.parametrize(("cell", "rtol"), [(None, 3e-3), (0.5 * MM, 4e-3), (0.8 * MM, 7e-3)])
def test_pierced_and_split_plane(fem: ModuleType, cell: float | None, rtol: float) -> None:
    """Second formulation: second-order triangles that follow every antipad; frequency of 10 modes.

    With cells finer than the antipads and the split, about as large, and wider than the split on a board only 37 cells
    long; the triangles themselves are about 0.1 % high.
    """
    shape = pierced()
    expected = PAIR.frequency(fem.eigenvalues(shape, 0.3 * MM, 10))
    got = PAIR.frequency(first(plane_pair_solver.solve(PAIR, shape, 8e9, NONE, 1e-4, cell), 10))
    assert_allclose(got, expected, rtol=rtol)


@pytest.mark.parametrize("slant", [0.0, 17.0, 45.0])
def test_split_separates_however_narrow(slant: float) -> None:
    """A split over four fifths of the board, up to twenty times narrower than a cell of 0.35 mm.

    A split that leaked would put the first mode near that of the whole board, 105 rad/m. As fine cells have it, within
    1.5 % (the split's end is known to a quarter cell); and the narrower, the less its width matters: below 0.1 mm less
    than 1 %.
    """

    def lowest(width: float, cell: float) -> float:
        cut = shapely.box(14.7 - width / 2, -9, 14.7 + width / 2, 16)
        shape = shapely.box(0, 0, 30, 20).difference(shapely.affinity.rotate(cut, slant, origin=(14.7, 16)))
        assert isinstance(shape, shapely.Polygon)
        shape = shapely.transform(shape, lambda c: c * MM)
        return float(np.sqrt(first(plane_pair_solver.solve(PAIR, shape, 3e9, NONE, 1e-4, cell * MM), 1)[0]))

    wide, middle, narrow, slit = (lowest(w, 0.35) for w in (0.9, 0.3, 0.1, 0.02))
    assert wide < middle
    assert max(middle, narrow, slit) < 0.75 * np.pi / (30 * MM)
    assert_allclose(middle, lowest(0.3, 0.1), rtol=0.015)
    assert_allclose(narrow, lowest(0.1, 0.1), rtol=0.015)
    assert_allclose(slit, narrow, rtol=0.01)


def test_impedances_equal_the_series() -> None:
    """The rectangle's closed series at 23 ports, 10 MHz to 3 GHz: 0.1 % in the middle, 1.5 % of the largest at worst.

    The worst stand on the flanks of resonances, where 0.02 % in frequency is one per cent.
    """
    rng = np.random.default_rng(3)
    points = np.vstack([[[50, 40], [20, 20], [80, 60]], rng.uniform([2, 2], [98, 78], (20, 2))]) * MM
    f = np.geomspace(10e6, 3e9, 60)
    ports = np.arange(len(points))
    for radius in (0.15 * MM, 0.4 * MM):
        series = impedance(PAIR, plane_pair.expand(PAIR, 0.1, 0.08, 3e9, points, radius), f, ports)
        solved = plane_pair_solver.solve(PAIR, shapely.box(0, 0, 0.1, 0.08), 3e9, points, radius)
        got = impedance(PAIR, solved.expansion, f, ports)
        own, own_got = (np.einsum("fii->fi", z) for z in (series, got))
        assert np.median(np.abs(own_got / own - 1)) < 1e-3
        assert np.max(np.abs(own_got / own - 1)) < 0.015
        assert np.max(np.abs(got - series).max((1, 2)) / np.abs(series).max((1, 2))) < 0.015


def test_ports_closer_than_a_cell() -> None:
    """Two vias 0.5 mm apart in cells of 0.8 mm, at any place in the cell: self and mutual as the series has them."""
    points = np.array([[41.13, 33.3], [41.63, 33.3], [60.4, 33.35], [60.4, 33.95]]) * MM
    f = np.array([0.1e9, 0.5e9, 1.1e9])
    series = impedance(PAIR, plane_pair.expand(PAIR, 0.1, 0.08, 2e9, points, 0.15 * MM), f, [0, 1, 2, 3])
    solved = plane_pair_solver.solve(PAIR, shapely.box(0, 0, 0.1, 0.08), 2e9, points, 0.15 * MM)
    got = impedance(PAIR, solved.expansion, f, [0, 1, 2, 3])
    assert_allclose(got, series, rtol=0.01)


def test_vias_of_a_rectangle() -> None:
    """Rows F4, F5 (full wave): six vias over one half bring the first mode to 1.270 GHz, the second to 2.727 GHz."""
    pair = Pair(0.2 * MM, 4.3)
    ties = np.array([(x, y) for x in (5, 15) for y in (5, 15, 25)]) * MM
    solved = plane_pair_solver.solve(pair, shapely.box(0, 0, 40 * MM, 30 * MM), 4e9, ties, 0.1 * MM)
    tied = solved.expansion.shorted(np.arange(6))
    got = pair.frequency(tied.eigenvalues[tied.resonances()][:2])
    assert_allclose(got, [1.270e9, 2.727e9], rtol=5e-3)
    voltage = solved.shape(tied, int(tied.resonances()[0]))
    assert_allclose(np.nanmax(voltage), 1.0)
    near_tie = voltage[int(5 / 40 * voltage.shape[0]), int(15 / 30 * voltage.shape[1])]
    assert abs(near_tie) < 0.1
    assert np.nanmin(voltage[int(0.9 * voltage.shape[0]) :]) > 0.5


@pytest.mark.parametrize(("pitch", "expected"), [(8, 0.5760), (4, 0.5933), (2, 0.6000), (1, 0.6023)])
def test_fence_is_a_shifted_wall(pitch: int, expected: float) -> None:
    """Vias r 0.15 across the board at x = 60 mm: a wall moved out by p/2pi ln(p/2pi r) (fence theory, thin wires).

    The first mode is then a quarter wave of 60 mm plus that, GHz, er 4.3; 0.6 %.
    """
    pair = Pair(0.2 * MM, 4.3)
    ties = np.column_stack([np.full(80 // pitch, 60.0), (np.arange(80 // pitch) + 0.5) * pitch]) * MM
    solved = plane_pair_solver.solve(pair, shapely.box(0, 0, 100 * MM, 80 * MM), 1.2e9, ties, 0.15 * MM)
    tied = solved.expansion.shorted(np.arange(len(ties)))
    wall = 60e-3 + pitch * MM / (2 * np.pi) * np.log(pitch / (2 * np.pi * 0.15))
    assert_allclose(299_792_458 / np.sqrt(4.3) / 4 / wall, expected * 1e9, rtol=6e-4)
    assert_allclose(pair.frequency(tied.eigenvalues[tied.resonances()][0]), expected * 1e9, rtol=6e-3)


def test_port_in_a_hole_fills_it() -> None:
    """A signal via stands in its own antipad: solved as if the hole were not there, other holes untouched."""
    holes = [shapely.Point(x * MM, 15 * MM).buffer(0.45 * MM) for x in (10, 20)]
    whole = shapely.box(0, 0, 40 * MM, 30 * MM)
    at = [[20 * MM, 15 * MM]]
    one, both = whole.difference(holes[0]), whole.difference(shapely.union_all(holes))
    filled = plane_pair_solver.solve(PAIR, both, 3e9, at, 0.15 * MM)
    assert_allclose(filled.area, one.area, rtol=1e-9)
    expected = impedance(PAIR, plane_pair_solver.solve(PAIR, one, 3e9, at, 0.15 * MM).expansion, 1e9, [0])
    assert_allclose(impedance(PAIR, filled.expansion, 1e9, [0]), expected, rtol=1e-9)


def test_mirror_and_turn_change_nothing() -> None:
    """Invariance: mirrored, turned by 90 degrees, moved, points in another order: 1e-6 in modes, 1e-5 in impedance."""
    shape = pierced()
    points = np.array([[5, 10], [22, 12], [10, 20.5]]) * MM
    f = np.array([0.3e9, 1.7e9])
    plain = plane_pair_solver.solve(PAIR, shape, 4e9, points, 0.1 * MM)
    z = impedance(PAIR, plain.expansion, f, [0, 1, 2])
    for turn in (np.diag([-1.0, 1.0]), np.array([[0.0, -1.0], [1.0, 0.0]])):
        moved = shapely.transform(shape, lambda c, t=turn: c @ t.T + (0.013, -0.2))
        if np.linalg.det(turn) < 0:
            moved = shapely.geometry.polygon.orient(moved)
        other = plane_pair_solver.solve(PAIR, moved, 4e9, points[::-1] @ turn.T + (0.013, -0.2), 0.1 * MM)
        assert_allclose(first(other, 8), first(plain, 8), rtol=1e-6)
        assert_allclose(impedance(PAIR, other.expansion, f, [2, 1, 0]), z, rtol=1e-5)


def test_small_features_keep_their_area() -> None:
    """Volumes are exact whatever the cell, with spread and drawn holes."""
    shape = pierced()
    for cell in (0.15 * MM, 0.5 * MM, 1.1 * MM):
        grid = plane_grid.rasterise(shape, cell)
        assert_allclose(grid.volume.sum() * grid.dx * grid.dy, shape.area, rtol=1e-9)
        assert grid.right.min() >= 0
        assert max(grid.right.max(), grid.up.max()) <= 1 + 1e-9


def test_no_points_at_all() -> None:
    solved = plane_pair_solver.solve(PAIR, shapely.box(0, 0, 40 * MM, 30 * MM), 3e9, NONE, 1e-4)
    assert solved.expansion.shapes.shape[1] == 0
    assert solved.expansion.shorted([]) is solved.expansion


def test_trade_expectation_of_stitching() -> None:
    """Common practice, no source: filling a split with copper and stitching all over raises the first mode, and a
    return via beside the signal via lowers the voltage it leaves between the planes."""
    whole = shapely.box(0, 0, 30 * MM, 24 * MM)
    split = plane_pair_solver.solve(PAIR, pierced(), 6e9, NONE, 1e-4)
    grid = np.array([(x, y) for x in range(3, 30, 6) for y in range(3, 24, 6)]) * MM
    points = np.vstack([[[16, 13], [17, 13], [2, 2]], grid / MM]) * MM
    solved = plane_pair_solver.solve(PAIR, whole, 9e9, points, 0.15 * MM)
    stitched = solved.expansion.shorted(np.arange(3, len(points)))
    assert stitched.eigenvalues[stitched.resonances()[0]] > 4 * first(split, 1)[0]
    bare = solved.expansion.keep([0, 1, 2])
    f = np.linspace(0.1e9, 0.8e9, 15)
    without = np.abs(impedance(PAIR, bare, f, [0, 2])[:, 0, 1])
    beside = np.abs(impedance(PAIR, bare, f, [0, 2], vias([1]))[:, 0, 1])
    assert np.all(beside[f < 0.3e9] < 0.5 * without[f < 0.3e9])


BOX = shapely.box(0, 0, 40 * MM, 30 * MM)


@pytest.mark.parametrize(
    ("shape", "points", "error", "text"),
    [
        (shapely.MultiPolygon([BOX, shapely.affinity.translate(BOX, 1)]), NONE, CallError, "one polygon"),
        (shapely.Polygon(), NONE, CallError, "one polygon"),
        (shapely.Polygon([(0, 0), (2, 2), (2, 0), (0, 1)]), NONE, CallError, "not valid"),
        (BOX, [[50 * MM, 10 * MM]], OutOfRange, "50.000, 10.000 mm lies outside"),
        (BOX, [[10 * MM, 10 * MM], [10.1 * MM, 10 * MM]], OutOfRange, "touch at 10.000, 10.000 mm"),
        (BOX.difference(shapely.box(18, -1, 20, 28).buffer(0)), NONE, None, ""),
    ],
)
def test_refusals(shape: shapely.Polygon, points: np.ndarray, error: type[Exception] | None, text: str) -> None:
    if error is None:
        plane_pair_solver.solve(PAIR, shape, 3e9, points, 0.1 * MM)
        return
    with pytest.raises(error, match=text):
        plane_pair_solver.solve(PAIR, shape, 3e9, points, 0.1 * MM)


def test_out_of_reach() -> None:
    with pytest.raises(OutOfRange, match="out of reach"):
        plane_pair_solver.solve(PAIR, shapely.box(0, 0, 1, 1), 200e9, NONE, 1e-4)


def test_long_thin_copper_has_more_modes_than_its_area_tells() -> None:
    """A comb of 30 strips 1 mm wide: at least one mode a tooth below the half wave of 40 mm, where its area alone tells
    of 30 in all. Two and four cells across a tooth find the same number, within 1.5 % in eigenvalue."""
    teeth = [shapely.box(2 * i, 0, 2 * i + 1, 40) for i in range(30)]
    comb = shapely.union_all([*teeth, shapely.box(0, 40, 59, 42)])
    comb = shapely.transform(comb, lambda c: c * MM)
    coarse, fine = (first(plane_pair_solver.solve(PAIR, comb, 4e9, NONE, 1e-4, c * MM), 99) for c in (0.5, 0.25))
    assert_allclose(coarse, fine, rtol=1.5e-2)
    assert np.sum(coarse < (np.pi / (40 * MM)) ** 2) >= 30


def test_endless_modes_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(plane_modes, "MOST", 20)
    with pytest.raises(OutOfRange, match="too many modes"):
        plane_pair_solver.solve(PAIR, BOX, 3e9, NONE, 1e-4, 2 * MM)
