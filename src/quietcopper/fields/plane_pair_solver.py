"""A plane pair of any shape: modes, impedance at ports, vias and capacitors, mode shapes for drawing.

Formulation: finite volumes on the square cells of `plane_grid`; the lowest modes by block inverse iteration with one
sparse factorisation, started from the waves of the bounding rectangle; the ports' static fields as further trial
functions (`cavity.Expansion`). A round port or via of radius a is a source spread over the four nearest cells plus what
the grid cannot resolve, (1/2 pi) times the logarithm of the distance as it is minus as the grid has it (the lattice
Green's function; Peaceman, SPE Journal 18(3), 1978, for the equivalent radius 0.1985 dx), also between ports a few
cells apart.

Assumptions: those of `cavity.Pair`; both planes have this shape's copper facing each other; open edges without fringes.
Holes that contain a port or via count as copper, since the barrel stands in them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import scipy.sparse as sparse
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import eigh
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu
from threadpoolctl import threadpool_limits

from quietcopper.errors import OutOfRange
from quietcopper.fields.cavity import Expansion, Pair
from quietcopper.fields.compiled import compiled
from quietcopper.fields.plane_grid import Grid, rasterise
from quietcopper.fields.ranges import Floats, checked

CELLS = 20_000  # least number of cells on the copper
PHASE = 0.3  # most radians of the shortest wave in a cell
KEPT = 1.8  # modes are kept up to this many times the highest frequency
NEAR = 5  # cells: ports nearer than this are corrected for the grid


@dataclass(frozen=True, eq=False)
class PlanePair:
    """A solved plane pair. expansion : over the points as given (ports first or mixed, the caller's order)

    fields : (cells, t) trial functions of the expansion on the cells; cell : (nx, ny) index of each grid cell in
    them, -1 where there is no copper; area : of the copper, m2
    """

    pair: Pair
    expansion: Expansion
    grid: Grid
    cell: NDArray[np.intp]
    fields: Floats
    area: float

    @property
    def capacitance(self) -> float:
        """F, without fringes."""
        return float(self.pair.capacitance(self.area))

    def shape(self, expansion: Expansion, mode: int) -> Floats:
        """(nx, ny) voltage of one mode of `expansion` (this one's, or it with vias) on the grid, largest size 1.

        Not-a-number where there is no copper; the sign makes the largest value positive.
        """
        values = self.fields @ expansion.mixture[mode]
        values = values / values[np.argmax(np.abs(values))]
        return np.where(self.cell >= 0, values[self.cell], np.nan)


def solve(
    pair: Pair, shape: shapely.Polygon, highest: float, points: ArrayLike, radius: ArrayLike, cell: float | None = None
) -> PlanePair:
    """Solve a plane pair whose facing copper is `shape` (m), for frequencies up to `highest` Hz.

    points : (p, 2) m, of all ports, vias and capacitors; radius : (p,) or one figure
    cell : width of a cell, m; by itself 20 000 cells on the copper and at most 0.3 rad of the shortest wave in one
    Error of the first 20 modes 0.3 % (holes, splits and slanted edges included) where splits are no narrower than half
    a cell, of impedances 1 % away from the flanks of resonances. Raises CallError for a shape that is not one piece,
    OutOfRange for points outside the copper or closer together than their radii.
    """
    xy = np.asarray(points, dtype=float).reshape(-1, 2)
    a = np.broadcast_to(checked("port radius", radius), len(xy)).astype(float)
    limit = float(pair.eigenvalue(checked("highest frequency", highest)))
    shape = filled(shape, xy)
    grid = rasterise(shape, cell_size(shape, limit) if cell is None else float(checked("cell size", cell)))
    # Several BLAS threads make this slower, many times where other work shares the cores, and round differently.
    with threadpool_limits(limits=1, user_api="blas"):
        return _expand(pair, grid, limit, xy, a)


def _expand(pair: Pair, grid: Grid, limit: float, xy: Floats, a: Floats) -> PlanePair:
    """The modes on the grid and the static fields of the points."""
    stiffness, mass, index = assemble(grid)
    spread = sources(grid, index, xy)
    area = float(mass.sum())
    root = np.sqrt(mass)
    scaled = sparse.diags_array(1 / root) @ stiffness @ sparse.diags_array(1 / root)
    top = max(KEPT**2 * limit, 30 * 4 * np.pi / area)
    shift = -0.02 * top
    inverse = Inverse(sparse.csc_array(scaled - shift * sparse.eye_array(len(mass))))
    count = _block(top, area, grid.drawn.length)
    while True:
        start = root[:, None] * _waves(grid, index, count)
        found = _lowest_modes(inverse, start, top, shift, limit)
        if found is not None:
            break
        if count >= min(len(mass), 3000):
            raise OutOfRange("the shape of the plane pair has too many modes below the highest frequency asked for")
        count = int(1.6 * count)  # long thin copper has more slow modes than its area tells
    eigenvalues, modes = found
    # Static fields of the ports, and what of them lies beyond the modes.
    drive = spread / root[:, None]
    static_field = inverse(drive)
    inside = modes.T @ static_field
    beyond = static_field - modes @ inside
    static = static_field.T @ drive
    mixed = inside.T @ (modes.T @ drive)
    static = static - mixed - mixed.T + (inside.T * (eigenvalues - shift)) @ inside + unresolved(grid, xy, a)
    corrected = eigenvalues * (1 + eigenvalues * grid.dx * grid.dy / 16)  # the grid's mean dispersion
    expansion = Expansion.build(corrected, modes.T @ drive, static, beyond.T @ beyond, shift, limit)
    return PlanePair(pair, expansion, grid, index, np.hstack([modes, beyond]) / root[:, None], area)


def filled(shape: shapely.Polygon, points: Floats) -> shapely.Polygon:
    """The shape without the holes that contain a point."""
    if not isinstance(shape, shapely.Polygon) or not len(points) or not len(shape.interiors):
        return shape
    holes = np.array([shapely.Polygon(ring) for ring in shape.interiors])
    hit = np.unique(shapely.STRtree(holes).query(shapely.points(points), predicate="intersects")[1])
    return shapely.Polygon(shape.exterior, [r for i, r in enumerate(shape.interiors) if i not in set(hit.tolist())])


def cell_size(shape: shapely.Polygon, limit: float) -> float:
    if shape.is_empty:
        return 1.0  # refused by rasterise
    west, south, east, north = shape.bounds
    box = (east - west) * (north - south)
    return float(min(np.sqrt(max(shape.area, box / 5) / CELLS), PHASE / np.sqrt(max(limit, 1e-9))))


def assemble(grid: Grid) -> tuple[sparse.csr_array, Floats, NDArray[np.intp]]:
    """Stiffness (n, n), area of each cell (n,) and the cells' indices (nx, ny) of the largest connected piece."""
    holds = grid.volume > 1e-6
    index = np.where(holds, np.cumsum(holds).reshape(holds.shape) - 1, -1)
    n = int(holds.sum())
    across, along = (grid.right > 0) & holds[:-1] & holds[1:], (grid.up > 0) & holds[:, :-1] & holds[:, 1:]
    first = np.concatenate([index[:-1][across], index[:, :-1][along]])
    second = np.concatenate([index[1:][across], index[:, 1:][along]])
    value = np.concatenate([(grid.right * grid.dy / grid.dx)[across], (grid.up * grid.dx / grid.dy)[along]])
    links = sparse.coo_array((value, (first, second)), shape=(n, n)).tocsr()
    links = links + links.T
    piece = connected_components(links, directed=False)[1]
    share = np.bincount(piece, weights=grid.volume[holds])
    main = piece == np.argmax(share)
    if share.max() < 0.98 * share.sum():
        raise OutOfRange("the shape of the plane pair falls apart on its grid: a neck is narrower than a quarter cell")
    links = links[main][:, main]
    index[holds] = np.where(main, np.cumsum(main) - 1, -1)
    stiffness = sparse.diags_array(np.asarray(links.sum(axis=1)).ravel()) - links
    return stiffness.tocsr(), (grid.volume * grid.dx * grid.dy)[index >= 0], index


def _weights(grid: Grid, points: Floats) -> tuple[NDArray[np.intp], Floats]:
    """Column and row (p, 4, 2) of the four cells round each point, and their shares (p, 4), sum 1; any copper."""
    size = np.array(grid.volume.shape)
    u = np.column_stack([(points[:, 0] - grid.x0) / grid.dx, (points[:, 1] - grid.y0) / grid.dy]) - 0.5
    corner = np.clip(np.floor(u), 0, size - 2).astype(np.intp)
    t = np.clip(u - corner, 0.0, 1.0)
    step = np.array([[0, 0], [1, 0], [0, 1], [1, 1]])
    return corner[:, None] + step, np.prod(np.where(step[None] == 1, t[:, None], 1 - t[:, None]), axis=2)


def sources(grid: Grid, index: NDArray[np.intp], points: Floats) -> Floats:
    """(n, p) share of each port's current in each cell: of the four round it those it sees across copper."""
    outside = ~shapely.intersects_xy(grid.drawn, points)
    cells, share = _weights(grid, points)
    where = index[cells[..., 0], cells[..., 1]]
    # A cell beyond a split must not share the port: the straight way to its copper is cut.
    ways = shapely.linestrings(
        np.stack(np.broadcast_arrays(points[:, None], grid.centre[cells[..., 0], cells[..., 1]]), 2)
    )
    shapely.prepare(grid.drawn)
    seen = (where >= 0) & shapely.covers(grid.drawn, ways)
    share = np.where(seen, np.maximum(share, 1e-6), 0.0)  # a hair even for a cell touched at its corner
    total = share.sum(axis=1)
    if np.any(outside | (total == 0)):
        bad = points[np.argmax(outside | (total == 0))]
        raise OutOfRange(f"the point at {bad[0] * 1e3:.3f}, {bad[1] * 1e3:.3f} mm lies outside the plane pair")
    out = np.zeros((int(index.max()) + 1, len(points)))
    port = np.broadcast_to(np.arange(len(points))[:, None], seen.shape)
    np.add.at(out, (where[seen], port[seen]), (share / total[:, None])[seen])
    return out


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


def unresolved(grid: Grid, points: Floats, radius: Floats) -> Floats:
    """(p, p) what the grid lacks of the logarithmic field of each port on itself and on those a few cells away."""
    count = len(points)
    out = np.zeros((count, count))
    if count == 0:
        return out
    size = np.sqrt(grid.dx * grid.dy)
    cells, share = _weights(grid, points)
    distance = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))
    np.fill_diagonal(distance, radius)
    touching = distance < radius[:, None] + radius[None, :]
    np.fill_diagonal(touching, False)
    if np.any(touching):
        i = int(np.argmax(touching.any(axis=1)))
        raise OutOfRange(f"two ports or vias touch at {points[i, 0] * 1e3:.3f}, {points[i, 1] * 1e3:.3f} mm")
    one, two = np.nonzero(distance < (NEAR - 1) * size)
    apart = np.abs(cells[one][:, :, None, :] - cells[two][:, None, :, :])
    apart = np.minimum(apart, NEAR + 1)
    lattice = np.einsum("ni,nij,nj->n", share[one], _lattice()[apart[..., 0], apart[..., 1]], share[two])
    exact = -(np.log(distance[one, two] / size) + np.euler_gamma + 1.5 * np.log(2)) / (2 * np.pi)
    out[one, two] = exact - lattice
    return (out + out.T) / 2


class Inverse:
    """The inverse of a symmetric positive definite sparse matrix, applied to many columns at once.

    The factors are SuperLU's; its own solution of triangular systems goes column by column and takes five times longer.
    """

    def __init__(self, matrix: sparse.csc_array) -> None:
        factors = splu(
            matrix,
            permc_spec="MMD_AT_PLUS_A",
            diag_pivot_thresh=0.0,  # keeps the pivots on the diagonal, so U = D L^T
            options={"SymmetricMode": True},
        )
        self._lower, self._diagonal = factors.L.tocsc(), factors.U.diagonal()
        self._order = factors.perm_r

    def __call__(self, right: Floats) -> Floats:
        """(n, m) solution for (n, m) right sides."""
        work = np.empty(right.shape)
        work[self._order] = right
        _back_and_forth(self._lower.indptr, self._lower.indices, self._lower.data, self._diagonal, work)
        return work[self._order]


@compiled(fastmath={"contract", "reassoc"})
def _back_and_forth(
    start: NDArray[np.int32], row: NDArray[np.int32], value: Floats, diagonal: Floats, work: Floats
) -> None:  # pragma: no cover - compiled
    """Overwrite `work` (n, m) by (L D L^T)^-1 work, some columns at a time to stay within the processor's cache."""
    n, m = work.shape
    for first in range(0, m, 32):
        part = np.ascontiguousarray(work[:, first : min(first + 32, m)])
        width = part.shape[1]
        for j in range(n):
            for p in range(start[j], start[j + 1]):
                i = row[p]
                if i != j:
                    for k in range(width):
                        part[i, k] -= value[p] * part[j, k]
        for j in range(n - 1, -1, -1):
            for k in range(width):
                part[j, k] /= diagonal[j]
            for p in range(start[j], start[j + 1]):
                i = row[p]
                if i != j:
                    for k in range(width):
                        part[j, k] -= value[p] * part[i, k]
        work[:, first : first + width] = part


def _block(top: float, area: float, edge: float) -> int:
    """Vectors to iterate for all modes up to `top`: Weyl's count with its edge term, and some more for speed."""
    return int(1.2 * (1.1 * top * area / (4 * np.pi) + np.sqrt(top) * edge / (4 * np.pi))) + 20


def _waves(grid: Grid, index: NDArray[np.intp], count: int) -> Floats:
    """(cells, count) the slowest standing waves of the bounding rectangle at the cells."""
    nx, ny = index.shape
    m, n = np.arange(min(count, nx)), np.arange(min(count, ny))
    square = (m[:, None] / (nx * grid.dx)) ** 2 + (n[None, :] / (ny * grid.dy)) ** 2
    order = np.argsort(square.ravel(), kind="stable")[: min(count, nx * ny)]
    m, n = np.unravel_index(order, square.shape)
    i, j = np.nonzero(index >= 0)
    x = np.cos(np.pi * np.outer(np.arange(nx) + 0.5, m) / nx)
    y = np.cos(np.pi * np.outer(np.arange(ny) + 0.5, n) / ny)
    return x[i] * y[j]


def _lowest_modes(
    inverse: Inverse, vectors: Floats, top: float, shift: float, limit: float
) -> tuple[Floats, Floats] | None:
    """Eigenvalues (n,) up to about `top` and orthonormal vectors (size, n), settled to 1e-5 up to 1.3 `limit`.

    Block inverse iteration with Rayleigh-Ritz: degenerate modes come out like others, none is missed. None where the
    block is too small to settle soon.
    """
    size, mix = eigh(vectors.T @ vectors)  # waves of the rectangle need not be independent on part of it
    independent = size > 1e-6 * size[-1]
    vectors = vectors @ (mix[:, independent] / np.sqrt(size[independent]))
    before = np.full(vectors.shape[1], np.inf)
    for _ in range(14):
        images = inverse(vectors)
        values, mix = eigh(images.T @ vectors, images.T @ images)
        vectors = images @ mix
        values = values + shift
        settled = np.abs(values - before) <= 1e-5 * np.maximum(np.abs(values), 1e-3 * limit)
        before = values
        if np.all(settled[values <= max(1.3 * limit, values[min(20, len(values) - 1)])]):
            break
    else:
        return None
    keep = max(int(np.sum(values <= top)), 2)
    return np.maximum(values[:keep], 0.0), vectors[:, :keep]
