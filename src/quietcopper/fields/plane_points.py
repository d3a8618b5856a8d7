"""Ports, capacitors and vias on the grid of a plane pair: which cells they feed, and what the grid lacks there.

A round port of radius a is a source spread over the four nearest cells plus what the grid cannot resolve, (1/2 pi)
times the logarithm of the distance as it is minus as the grid has it (the lattice Green's function; Peaceman, SPE
Journal 18(3), 1978, for the equivalent radius 0.1985 dx), also between ports a few cells apart.

A via that joins the planes (a tie) is spread over the cells round a circle, so that what the grid lacks of its field is
positive: it then stands in the grid's matrix as a conductance, however many there are.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import scipy.sparse as sparse
import shapely
from numpy.typing import NDArray
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu
from scipy.spatial import cKDTree

from quietcopper.errors import OutOfRange
from quietcopper.fields.compiled import kernel
from quietcopper.fields.plane_grid import Grid, TooCoarse
from quietcopper.fields.ranges import Floats

NEAR = 5  # cells: ports nearer than this are corrected for the grid
CIRCLE = 0.5  # cells: least radius of the circle that a tie is spread on
LEAST = 1e-3  # least unresolved part of a tie; a radius off by less than 1 %
DENSE = 256  # ties of a cluster that are inverted as a full matrix
NOTHING = 1e-4  # of the roots of both diagonals: ties that answer each other less do not; modes move by 3e-7

Index = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Spread:
    """Points over cells. cells : (p, q, 2) column and row; share : (p, q), sum 1, zero where a point has fewer cells"""

    cells: Index
    share: Floats


def four_cells(grid: Grid, points: Floats) -> Spread:
    """Bilinear shares of the four cells round each point; any copper."""
    size = np.array(grid.volume.shape)
    u = np.column_stack([(points[:, 0] - grid.x0) / grid.dx, (points[:, 1] - grid.y0) / grid.dy]) - 0.5
    corner = np.clip(np.floor(u), 0, size - 2).astype(np.intp)
    t = np.clip(u - corner, 0.0, 1.0)
    step = np.array([[0, 0], [1, 0], [0, 1], [1, 1]])
    share = np.prod(np.where(step[None] == 1, t[:, None], 1 - t[:, None]), axis=2)
    return Spread(corner[:, None] + step, share)


def circles(grid: Grid, points: Floats, radius: Floats) -> Spread:
    """Shares of the cells round a circle of each tie's radius, at least half a cell; any copper."""
    ring = np.maximum(radius, CIRCLE * np.sqrt(grid.dx * grid.dy))
    count = max(12, int(np.ceil(4 * np.pi * float(ring.max(initial=0.0)) / min(grid.dx, grid.dy))))
    angle = 2 * np.pi * (np.arange(count) + 0.5) / count
    around = points[:, None] + ring[:, None, None] * np.stack([np.cos(angle), np.sin(angle)], -1)
    fine = four_cells(grid, around.reshape(-1, 2))
    ny = grid.volume.shape[1]
    flat = (fine.cells[..., 0] * ny + fine.cells[..., 1]).reshape(len(points), -1)
    share = fine.share.reshape(len(points), -1) / count
    # The same cell is met from several points of the circle: its shares become one.
    order = np.argsort(flat, axis=1, kind="stable")
    flat, share = np.take_along_axis(flat, order, 1), np.take_along_axis(share, order, 1)
    new = np.diff(flat, axis=1, prepend=-1) > 0
    column = np.cumsum(new, axis=1) - 1
    width = int(column.max(initial=0)) + 1
    cells, total = np.zeros((len(points), width), dtype=np.intp), np.zeros((len(points), width))
    row = np.broadcast_to(np.arange(len(points))[:, None], flat.shape)
    cells[row, column] = flat
    np.add.at(total, (row, column), share)
    return Spread(np.stack([cells // ny, cells % ny], -1), total)


def sources(grid: Grid, index: Index, points: Floats, spread: Spread | None = None) -> Floats:
    """(n, p) share of each port's current in each cell: of its cells (the four round it) those it sees across copper.

    Raises OutOfRange for a point outside the copper.
    """
    return on_copper(grid, index, points, four_cells(grid, points) if spread is None else spread).toarray()


def on_copper(grid: Grid, index: Index, points: Floats, spread: Spread, *, lost: bool = False) -> sparse.csr_array:
    """As `sources`, sparse. lost : points in copper that the grid gave up (less than 2 % of all) have no share"""
    outside = ~shapely.intersects_xy(grid.drawn, points)
    where = index[spread.cells[..., 0], spread.cells[..., 1]]
    centre = grid.centre[spread.cells[..., 0], spread.cells[..., 1]]
    seen = (where >= 0) & (spread.share > 0)
    # A cell beyond a split must not share the port: the straight way to its copper is cut.
    reach = np.hypot(*(centre - points[:, None]).transpose(2, 0, 1)).max(axis=1, initial=0.0)
    rim = grid.drawn.boundary
    shapely.prepare(rim)
    shapely.prepare(grid.drawn)
    beside = np.flatnonzero(shapely.dwithin(shapely.points(points), rim, reach))
    point, cell = np.nonzero(seen[beside])
    point = beside[point]
    ways = shapely.linestrings(np.stack([points[point], centre[point, cell]], 1))
    seen[point, cell] = shapely.covers(grid.drawn, ways)
    share = np.where(seen, np.maximum(spread.share, 1e-6), 0.0)  # a hair even for a cell touched at its corner
    total = share.sum(axis=1)
    for wrong, error in ((outside, OutOfRange), (total == 0, TooCoarse)):
        if np.any(wrong) and not (lost and error is TooCoarse):
            bad = points[np.argmax(wrong)]
            raise error(f"the point at {bad[0] * 1e3:.3f}, {bad[1] * 1e3:.3f} mm lies outside the plane pair")
    port = np.broadcast_to(np.arange(len(points))[:, None], seen.shape)
    entries = ((share / np.where(total > 0, total, 1.0)[:, None])[seen], (where[seen], port[seen]))
    return sparse.coo_array(entries, shape=(int(index.max()) + 1, len(points))).tocsr()


@cache
def _lattice() -> Floats:
    """(NEAR + 2, NEAR + 2) potential of a unit source on an endless square lattice, zero at the source.

    -R/2 with R(m, n) = (1/pi) integral_0^pi (1 - exp(-|m| s) cos(n b))/sinh(s) db, cosh s = 2 - cos b (resistance
    between lattice points; Cserti, American Journal of Physics 68, 2000, from memory). g(1,0) = -1/4, g(1,1) = -1/pi.
    """
    x, w = np.polynomial.legendre.leggauss(400)
    b = np.pi * (x + 1) / 2
    s = np.arccosh(2 - np.cos(b))
    m = np.arange(NEAR + 2)
    factor = 1 - np.exp(-m[:, None, None] * s) * np.cos(m[None, :, None] * b)
    return -0.25 * np.sum(w * factor / np.sinh(s), axis=2)


def _far(distance: Floats) -> Floats:
    """The lattice potential far from its source, distance in cells."""
    return -(np.log(distance) + np.euler_gamma + 1.5 * np.log(2)) / (2 * np.pi)


def _potential(reach: int) -> Floats:
    """(reach + 1, reach + 1) the lattice potential by columns and rows apart: exact near, else as far off."""
    step = np.arange(reach + 1)
    with np.errstate(divide="ignore"):
        out = _far(np.hypot(step[:, None], step))
    near = min(reach + 1, NEAR + 2)
    out[:near, :near] = _lattice()[:near, :near]
    return out


def _between(one: Spread, two: Spread, a: Index, b: Index) -> Floats:
    """(n,) potential that the lattice gives point b[i] of `two` from point a[i] of `one`."""
    reach = max(int(np.ptp(np.concatenate([s.cells[..., axis].ravel() for s in (one, two)]))) for axis in (0, 1))
    out = np.zeros(len(a))
    _summed(one.cells, one.share, two.cells, two.share, a, b, _potential(reach), out)
    return out


@kernel("i8[:,:,::1], f8[:,::1], i8[:,:,::1], f8[:,::1], i8[::1], i8[::1], f8[:,::1], f8[::1]")
def _summed(
    cells: Index, share: Floats, others: Index, other_share: Floats, a: Index, b: Index, potential: Floats, out: Floats
) -> None:  # pragma: no cover - compiled
    """(n,) potential by columns and rows apart, weighted with both shares."""
    for k in range(len(a)):
        for i in range(share.shape[1]):
            if share[a[k], i] == 0.0:
                continue
            total = 0.0
            for j in range(other_share.shape[1]):
                if other_share[b[k], j] != 0.0:
                    m = abs(cells[a[k], i, 0] - others[b[k], j, 0])
                    n = abs(cells[a[k], i, 1] - others[b[k], j, 1])
                    total += other_share[b[k], j] * potential[m, n]
            out[k] += share[a[k], i] * total


def unresolved(grid: Grid, points: Floats, radius: Floats) -> Floats:
    """(p, p) what the grid lacks of the logarithmic field of each port on itself and on those a few cells away."""
    if len(points) == 0:
        return np.zeros((0, 0))
    out = _lacking(grid, points, radius, four_cells(grid, points), points, radius, None, NEAR - 1).toarray()
    return (out + out.T) / 2


def _lacking(
    grid: Grid,
    points: Floats,
    radius: Floats,
    spread: Spread,
    others: Floats,
    other_radius: Floats,
    other_spread: Spread | None,
    reach: float,
) -> sparse.csr_array:
    """(p, q) exact less lattice potential between points and others nearer than `reach` cells (plus their radii).

    other_spread : None where the others are the points themselves
    """
    size = float(np.sqrt(grid.dx * grid.dy))
    same = other_spread is None
    theirs = spread if other_spread is None else other_spread
    widest = float(radius.max(initial=0.0) + other_radius.max(initial=0.0))
    found = cKDTree(points).sparse_distance_matrix(cKDTree(others), reach * size + widest, output_type="coo_matrix")
    one, two = found.row.astype(np.intp), found.col.astype(np.intp)
    distance = np.hypot(*(points[one] - others[two]).T)
    close = distance < reach * size + radius[one] + other_radius[two]
    if same:
        close &= one != two
    one, two, distance = one[close], two[close], distance[close]
    touching = distance < radius[one] + other_radius[two]
    if np.any(touching):
        i = one[np.argmax(touching)]
        raise OutOfRange(f"two ports or vias touch at {points[i, 0] * 1e3:.3f}, {points[i, 1] * 1e3:.3f} mm")
    if same:
        own = np.arange(len(points))
        one, two, distance = np.append(one, own), np.append(two, own), np.append(distance, radius)
    value = _far(distance / size) - _between(spread, theirs, one, two)
    return sparse.coo_array((value, (one, two)), shape=(len(points), len(others))).tocsr()


@dataclass(frozen=True, eq=False)
class Ties:
    """Vias that join both planes, folded into the grid.

    added : (n, n) conductance that they add to the grid's matrix
    feed : (n, t) how the current of each enters the cells; lack : (t, t) inverse of what the grid lacks of them
    points, radius, spread : where they are
    """

    added: sparse.csr_array
    feed: sparse.csr_array
    lack: sparse.csr_array
    points: Floats
    radius: Floats
    spread: Spread

    @classmethod
    def build(cls, grid: Grid, index: Index, points: Floats, radius: Floats) -> Ties:
        spread = circles(grid, points, radius)
        feed = on_copper(grid, index, points, spread, lost=True)
        held = np.flatnonzero(feed.sum(axis=0) > 0)  # the others tie copper that is not solved
        feed, points, radius = feed[:, held], points[held], radius[held]
        spread = Spread(spread.cells[held], spread.share[held])
        lacking = _lacking(grid, points, radius, spread, points, radius, None, 2.5)
        lacking = (lacking + lacking.T) / 2
        lack = _inverse_in_clusters(lacking)
        return cls((feed @ lack @ feed.T).tocsr(), feed, lack, points, radius, spread)

    def seen_by(self, grid: Grid, points: Floats, radius: Floats) -> sparse.csr_array:
        """(p, t) what the grid lacks of the ties' fields at ports a few cells away."""
        ports = four_cells(grid, points)
        return _lacking(grid, points, radius, ports, self.points, self.radius, self.spread, NEAR - 1)


def _inverse_in_clusters(matrix: sparse.csr_array) -> sparse.csr_array:
    """Inverse of a symmetric matrix whose entries tie only neighbours, without its entries below NOTHING."""
    count, label = connected_components(matrix, directed=False)
    order = np.argsort(label, kind="stable")
    start = np.searchsorted(label[order], np.arange(count + 1))
    diagonal = np.maximum(matrix.diagonal(), LEAST)
    size = np.diff(start)
    alone = order[start[:-1][size == 1]]
    rows, columns, values = [alone], [alone], [1 / diagonal[alone]]
    for block in np.flatnonzero(size > 1).tolist():
        mine = order[start[block] : start[block + 1]]
        row, column, value = _kept(matrix[mine][:, mine].tocsc(), diagonal[mine])
        rows.append(mine[row])
        columns.append(mine[column])
        values.append(value)
    entries = (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns)))
    out = sparse.coo_array(entries, shape=matrix.shape).tocsr()
    return (out + out.T) / 2


def _above(block: sparse.csc_array, floor: float) -> bool:
    """Whether all eigenvalues of a symmetric matrix lie above `floor`: the signs of its pivots tell (Sylvester)."""
    shifted = sparse.csc_array(block - floor * sparse.eye_array(block.shape[0]))
    try:
        factors = splu(shifted, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
    except RuntimeError:  # singular
        return False
    return bool(np.array_equal(factors.perm_r, factors.perm_c) and np.all(factors.U.diagonal() > 0))


def _kept(block: sparse.csc_array, diagonal: Floats) -> tuple[Index, Index, Floats]:
    """Row, column and value of what counts of one block's inverse: it dies away within a few ties, and a whole one
    would join every tie of a stitched plane with every other."""
    block = block + sparse.diags_array(diagonal - block.diagonal())
    n = len(diagonal)
    floor = LEAST / 2
    if n > DENSE and _above(block, floor):
        solve = splu(block.tocsc()).solve
        pieces = [(first, solve(np.eye(n, min(DENSE, n - first), -first))) for first in range(0, n, DENSE)]
    else:
        power, vectors = np.linalg.eigh(block.toarray())
        pieces = [(0, (vectors / np.maximum(power, floor)) @ vectors.T)]
    own = np.concatenate([piece.diagonal(-first) for first, piece in pieces])
    found = []
    for first, piece in pieces:
        limit = NOTHING * np.sqrt(own[:, None] * own[None, first : first + piece.shape[1]])
        row, column = np.nonzero(np.abs(piece) > limit)
        found.append((row, column + first, piece[row, column]))
    row, column, value = (np.concatenate(part) for part in zip(*found, strict=True))
    return row, column, value
