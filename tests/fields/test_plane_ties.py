"""Vias folded into the grid of a plane pair, and what hangs on it: against lattices, posts, full wave, the series."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.sparse as sparse
import shapely
from numpy.testing import assert_allclose
from scipy.optimize import brentq
from scipy.special import j0, j1, y0, y1

from quietcopper.errors import OutOfRange
from quietcopper.fields import plane_pair, plane_pair_solver, plane_points
from quietcopper.fields.cavity import Loads, Pair, impedance, with_admittances
from quietcopper.fields.plane_grid import rasterise
from quietcopper.fields.resonators import grid_cutoff
from quietcopper.units import C0, MU0

MM = 1e-3
PAIR = Pair(0.2 * MM, 4.4, 0.02)
NONE = np.empty((0, 2))
BOX = shapely.box(0, 0, 100 * MM, 80 * MM)


def lowest(pair: Pair, shape: shapely.Polygon, highest: float, ties: np.ndarray, radius: float, count: int = 1) -> list:
    e = plane_pair_solver.solve(pair, shape, highest, NONE, 1e-4, ties=ties, tie_radius=radius).expansion
    return pair.frequency(e.eigenvalues[e.resonances()][:count]).tolist()


@pytest.mark.parametrize(("pitch", "expected"), [(5, 7.573e9), (10, 3.323e9), (20, 1.497e9)])
def test_lattice_of_posts(pitch: int, expected: float) -> None:
    """Row C16 (finite elements of one cell, +-0.1 %): vias r 0.15 in the middle of each square, er 4.4. By mirror
    symmetry four by three squares with open edges are the endless lattice: 0.5 %. The closed form is 1 to 2 % high."""
    pair = Pair(0.2 * MM, 4.4)
    ties = (np.stack(np.meshgrid(np.arange(4), np.arange(3)), -1).reshape(-1, 2) + 0.5) * pitch * MM
    shape = shapely.box(0, 0, 4 * pitch * MM, 3 * pitch * MM)
    assert_allclose(lowest(pair, shape, 1.3 * expected, ties, 0.15 * MM), [expected], rtol=5e-3)
    assert_allclose(grid_cutoff(pitch * MM, 0.15 * MM, 4.4), expected, rtol=0.02)


def test_partial_stitching_lowers_the_first_mode() -> None:
    """Rows F4 and F5 (full wave, 0.5 %): bare 1.811, 2.406, 3.024 GHz; six vias over one half 1.270, 2.727 GHz."""
    pair = Pair(0.2 * MM, 4.3)
    shape = shapely.box(0, 0, 40 * MM, 30 * MM)
    six = np.array([(x, y) for x in (5, 15) for y in (5, 15, 25)]) * MM
    assert_allclose(lowest(pair, shape, 4e9, NONE, 0.1 * MM, 3), [1.811e9, 2.406e9, 3.024e9], rtol=5e-3)
    assert_allclose(lowest(pair, shape, 4e9, six, 0.1 * MM, 2), [1.270e9, 2.727e9], rtol=5e-3)


@pytest.mark.parametrize(("pitch", "expected"), [(8, 0.5732), (2, 0.5998), (1, 0.6022)])
def test_fence(pitch: int, expected: float) -> None:
    """A fence r 0.15 across the board at x = 60 mm, GHz, er 4.3: an earlier solution of the same problem by
    finite volumes and low-rank vias (0.3 %); fence theory 0.576, 0.600, 0.6023 (0.6 %); a wall 0.6024 GHz."""
    pair = Pair(0.2 * MM, 4.3)
    ties = np.column_stack([np.full(80 // pitch, 60.0), (np.arange(80 // pitch) + 0.5) * pitch]) * MM
    found = lowest(pair, BOX, 1.2e9, ties, 0.15 * MM)[0]
    assert_allclose(found, expected * 1e9, rtol=3e-3)
    wall = 60e-3 + pitch * MM / (2 * np.pi) * np.log(pitch / (2 * np.pi * 0.15))
    assert_allclose(found, C0 / np.sqrt(4.3) / 4 / wall, rtol=6e-3)


@pytest.mark.parametrize("radius", [0.1, 0.4, 1.6])
def test_post_in_a_disc(radius: float) -> None:
    """Exact: J0(ka) Y1(kR) = Y0(ka) J1(kR) for a post of radius a in a disc of 20 mm, thinner than a cell and as wide
    as twenty: 0.3 %."""
    a, rim = radius * MM, 20 * MM
    k = brentq(lambda k: j0(k * a) * y1(k * rim) - y0(k * a) * j1(k * rim), 5.0, 150.0)
    disc = shapely.Point(0, 0).buffer(rim, quad_segs=64)
    found = lowest(PAIR, disc, 4e9, np.array([[0.03, -0.02]]) * MM, a)
    assert_allclose(found, [PAIR.frequency(k**2)], rtol=3e-3)


def test_ties_are_the_series_with_shorted_ports() -> None:
    """Impedance at two ports, one 0.8 mm from a tie, with eight ties: the rectangle's closed series with the vias as
    shorted ports, 1 % of the largest entry from 10 MHz to 2 GHz."""
    ports = np.array([[20.3, 20.1], [70.0, 55.7]]) * MM
    ties = np.array([[21.1, 20.1], [10, 60], [33, 71], [48, 12], [60.4, 40.2], [61, 41.1], [90, 66], [85, 8]]) * MM
    f = np.geomspace(10e6, 2e9, 30)
    whole = plane_pair.expand(PAIR, 0.1, 0.08, 2e9, np.vstack([ports, ties]), 0.15 * MM)
    expected = impedance(PAIR, whole.shorted(np.arange(2, 10)), f, [0, 1])
    solved = plane_pair_solver.solve(PAIR, BOX, 2e9, ports, 0.15 * MM, ties=ties, tie_radius=0.15 * MM)
    got = impedance(PAIR, solved.expansion, f, [0, 1])
    assert np.max(np.abs(got - expected).max((1, 2)) / np.abs(expected).max((1, 2))) < 0.01


def test_ties_side_by_side_and_refusals() -> None:
    """Two vias 0.5 mm apart in cells of 0.8 mm: as the series has them, 0.3 % of the first mode."""
    twins = np.array([[30, 30], [30.5, 30], [70, 50], [70, 50.4]]) * MM
    whole = plane_pair.expand(PAIR, 0.1, 0.08, 2e9, twins, 0.1 * MM).shorted(np.arange(4))
    solved = plane_pair_solver.solve(PAIR, BOX, 2e9, NONE, 1e-4, 0.8 * MM, ties=twins, tie_radius=0.1 * MM)
    one, two = (e.eigenvalues[e.resonances()][:3] for e in (whole, solved.expansion))
    assert_allclose(np.sqrt(two), np.sqrt(one), rtol=3e-3)
    with pytest.raises(OutOfRange, match=r"touch at 30\.000, 30\.100 mm"):
        plane_pair_solver.solve(PAIR, BOX, 2e9, [[30 * MM, 30.1 * MM]], 0.1 * MM, ties=twins, tie_radius=0.1 * MM)
    with pytest.raises(OutOfRange, match="lies outside the plane pair"):
        plane_pair_solver.solve(PAIR, BOX, 2e9, NONE, 1e-4, ties=[[0.2, 0.0]], tie_radius=0.1 * MM)


def test_capacitors_as_inductors_and_as_admittances() -> None:
    """The resonance with capacitors as inductors is where the impedance with their admittances peaks (0.1 %), and the
    admittances give what the loads of `impedance` give (1e-6)."""
    pair = Pair(0.5 * MM, 4.4, 1e-4, np.inf)
    points = np.array([[5, 5], [12, 20], [30, 8], [33, 25]]) * MM
    e = plane_pair_solver.solve(pair, shapely.box(0, 0, 40 * MM, 30 * MM), 2e9, points, 0.15 * MM).expansion
    inductance = np.array([1.1e-9, 0.8e-9])
    whole = e.with_inductors([1, 2], MU0 * pair.spacing / inductance)
    first = float(pair.frequency(whole.eigenvalues[whole.resonances()][0]))
    f = first * np.linspace(0.98, 1.02, 401)
    loads = Loads(np.array([1, 2]), np.full(2, 100e-9), np.full(2, 1e-3), inductance)
    y = np.zeros((len(f), 4), dtype=complex)
    y[:, 1:3] = [1 / loads.impedance(float(x)) for x in f]
    z = with_admittances(pair, e, f, [0, 3], y)
    assert_allclose(z, impedance(pair, e, f, [0, 3], loads), rtol=1e-6)
    assert_allclose(f[np.argmax(np.abs(z[:, 0, 0]))], first, rtol=1e-3)
    assert with_admittances(pair, e, f[:1], [1, 1], y[:1])[0, 0, 1] == pytest.approx(
        with_admittances(pair, e, f[:1], [1], y[:1])[0, 0, 0]
    )
    assert e.with_inductors([], []) is e


def test_spacing_and_ground_in_place_of_supply() -> None:
    """Common practice, no source: thinner ground-supply spacing gives more capacitance and lower impedance; ground in
    its place, stitched throughout, raises the first mode."""
    port = np.array([[50, 40]]) * MM
    f = np.geomspace(1e6, 1e9, 40)
    shape = shapely.box(0, 0, 100 * MM, 80 * MM)
    expansion = plane_pair_solver.solve(PAIR, shape, 1e9, port, 0.15 * MM).expansion
    thin, thick = Pair(0.1 * MM, 4.4, 0.02), Pair(1.0 * MM, 4.4, 0.02)
    assert thin.capacitance(shape.area) > 9.9 * thick.capacitance(shape.area)
    below = f < 0.2e9
    one, two = (np.abs(impedance(pair, expansion, f, [0]))[:, 0, 0] for pair in (thin, thick))
    assert np.all(one[below] < 0.2 * two[below])
    grid = (np.stack(np.meshgrid(np.arange(5), np.arange(4)), -1).reshape(-1, 2) + 0.5) * 10 * MM
    quarter = shapely.box(0, 0, 50 * MM, 40 * MM)
    assert lowest(PAIR, quarter, 4e9, grid, 0.15 * MM)[0] > 2 * lowest(PAIR, quarter, 2e9, NONE, 1e-4)[0]


def test_thousands_of_ties_join_only_their_neighbours() -> None:
    """A plane stitched every 3 cells, 3,600 ties in one cluster: the inverse of what the grid lacks, by its definition
    (its product with the matrix is one; 1e-3 allowed for what is left out), joins a tie with few others, and what is
    added to the grid's matrix stays sparse."""
    shape = shapely.box(0, 0, 60 * MM * 2, 60 * MM * 2)
    grid = rasterise(shape, 0.66 * MM)
    _, _, index = plane_pair_solver.assemble(grid)
    ties = (np.stack(np.meshgrid(np.arange(60), np.arange(60)), -1).reshape(-1, 2) + 0.5) * 2 * MM
    radius = np.full(len(ties), 0.25 * MM)
    built = plane_points.Ties.build(grid, index, ties, radius)
    assert built.lack.nnz < 30 * len(ties)
    assert built.added.nnz <= 9 * 81 * len(ties)  # a tie and its eight neighbours, nine cells each
    lacking = plane_points._lacking(grid, ties, radius, built.spread, ties, radius, None, 2.5)
    assert lacking.nnz > 3 * len(ties)  # they do lie so near that they see each other
    lacking = (lacking + lacking.T) / 2
    lacking = lacking + sparse.diags_array(np.maximum(lacking.diagonal(), plane_points.LEAST) - lacking.diagonal())
    assert abs(lacking @ built.lack - sparse.eye_array(len(ties))).max() < 1e-3


def test_a_neck_that_few_cells_do_not_see() -> None:
    """Two squares of 20 mm on both sides of a slot of 0.2 mm, joined by 0.12 mm of copper, which cells of 0.7 mm do not
    see: the lowest mode, the squares' capacitances against the neck, is that of cells of 0.1 mm within 20 %. A tie on a
    pad that hangs on a thread counts nowhere where the thread is not seen: 0.1 % of the plane without them."""
    cut = shapely.union(shapely.box(20.4, -1, 20.6, 10.1), shapely.box(20.4, 10.22, 20.6, 21))
    shape = shapely.transform(shapely.box(0, 0, 41, 20).difference(cut), lambda c: c * MM)
    found = plane_pair_solver.solve(PAIR, shape, 4e9, NONE, 1e-4, cells=1500)
    fine = plane_pair_solver.solve(PAIR, shape, 4e9, NONE, 1e-4, 0.1 * MM)
    one, two = (e.expansion.eigenvalues[e.expansion.resonances()][0] for e in (found, fine))
    assert_allclose(np.sqrt(one), np.sqrt(two), rtol=0.2)
    plain = shapely.box(0, 0, 40, 30)
    threaded = shapely.union_all([plain, shapely.box(40, 10, 42, 10.002), shapely.box(42, 9, 44, 11)])
    ties = np.array([[10, 10], [43, 10]]) * MM
    got = []
    for mine, at in ((plain, ties[:1]), (threaded, ties)):
        outline = shapely.transform(mine, lambda c: c * MM)
        solved = plane_pair_solver.solve(PAIR, outline, 4e9, NONE, 1e-4, 0.4 * MM, ties=at, tie_radius=0.1 * MM)
        got.append(np.sqrt(solved.expansion.eigenvalues[:3]))
    assert_allclose(got[1], got[0], rtol=1e-3)
