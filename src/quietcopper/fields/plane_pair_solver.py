"""A plane pair of any shape: modes, impedance at ports, vias and capacitors, mode shapes for drawing.

Formulation: finite volumes on the square cells of `plane_grid`; the lowest modes by block Lanczos with one sparse
factorisation (`plane_modes`); the ports' static fields as further trial functions (`cavity.Expansion`). Round ports and
vias are sources on the grid with their own logarithmic field put right (`plane_points`). Vias that join the planes for
good (`ties`) stand in the grid's matrix: thousands cost no more than one.

Assumptions: those of `cavity.Pair`; both planes have this shape's copper facing each other; open edges without fringes.
Holes that contain a port or via count as copper, since the barrel stands in them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sparse
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.sparse.csgraph import connected_components

from quietcopper.fields.blas import one_thread
from quietcopper.fields.cavity import Expansion, Pair
from quietcopper.fields.content import kept_by_content
from quietcopper.fields.plane_grid import Grid, TooCoarse, rasterise
from quietcopper.fields.plane_modes import Inverse, lowest_modes
from quietcopper.fields.plane_points import Ties, sources, unresolved
from quietcopper.fields.ranges import Floats, checked

CELLS = 20_000  # least number of cells on the copper
PHASE = 0.3  # most radians of the shortest wave in a cell
KEPT = 1.8  # modes are kept up to this many times the highest frequency
FINER = 4  # times as many cells where a grid does not see a neck
SETTLED = 1.3  # times the highest eigenvalue asked for: so far the modes are settled


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
    pair: Pair,
    shape: shapely.Polygon,
    highest: float,
    points: ArrayLike,
    radius: ArrayLike,
    cell: float | None = None,
    *,
    ties: ArrayLike = (),
    tie_radius: ArrayLike = 1.0,
    cells: int = CELLS,
) -> PlanePair:
    """Solve a plane pair whose facing copper is `shape` (m), for frequencies up to `highest` Hz.

    points : (p, 2) m, of ports, capacitors and of vias that may be taken away; radius : (p,) or one figure
    ties : (t, 2) m, of vias that join the planes for good; tie_radius : (t,) or one figure
    cell : width of a cell, m; by itself about `cells` cells on the copper (`FINER` times as many where a neck is too
    narrow for these) and at most 0.3 rad of the shortest wave in one
    Error of the first 20 modes 0.3 % (holes, splits and slanted edges included) where splits are no narrower than half
    a cell, of impedances 1 % away from the flanks of resonances; 1 % of modes with 5000 cells; up to 20 % of one
    that lives by a neck narrower than half a cell. Raises CallError for a shape that is not one piece, OutOfRange for
    points outside the copper or closer together than their radii.
    """
    xy, tie = (np.asarray(p, dtype=float).reshape(-1, 2) for p in (points, ties))
    a = np.broadcast_to(checked("port radius", radius), len(xy)).astype(float)
    tie_a = np.broadcast_to(checked("via radius", tie_radius), len(tie)).astype(float)
    limit = float(pair.eigenvalue(checked("highest frequency", highest)))
    shape = filled(shape, np.vstack([xy, tie]))
    if cell is not None:
        sizes = [float(checked("cell size", cell))]
    else:
        sizes = [cell_size(shape, limit, count) for count in (cells, FINER * cells)]
    # Several BLAS threads make this slower, many times where other work shares the cores, and round differently.
    with one_thread():
        for size in sizes[:-1]:
            try:
                return _expand(pair, _modes(shape, size, limit, tie, tie_a), limit, xy, a)
            except TooCoarse:
                continue
        return _expand(pair, _modes(shape, sizes[-1], limit, tie, tie_a), limit, xy, a)


@dataclass(frozen=True, eq=False)
class _Modes:
    """A piece on its grid with the ties that are there for good, whatever its ports.

    ties : None for none;  eigenvalues (n,), modes (cells, n);  shift : of `inverse`
    """

    grid: Grid
    mass: Floats
    index: NDArray[np.intp]
    ties: Ties | None
    inverse: Inverse
    eigenvalues: Floats
    modes: Floats
    shift: float


@kept_by_content(24)
def _modes(shape: shapely.Polygon, size: float, limit: float, tie: Floats, tie_a: Floats) -> _Modes:
    grid = rasterise(shape, size)
    matrix, mass, index = assemble(grid)
    ties = Ties.build(grid, index, tie, tie_a) if len(tie) else None
    if ties is not None:
        matrix = matrix + ties.added
    root = np.sqrt(mass)
    scaled = sparse.diags_array(1 / root) @ matrix @ sparse.diags_array(1 / root)
    top = max(KEPT**2 * limit, 30 * 4 * np.pi / float(mass.sum()))
    shift = -0.02 * top
    inverse = Inverse(sparse.csc_array(scaled - shift * sparse.eye_array(len(mass))))
    eigenvalues, modes = lowest_modes(inverse, len(mass), shift, SETTLED * limit, top)
    return _Modes(grid, mass, index, ties, inverse, eigenvalues, modes, shift)


def _expand(pair: Pair, solved: _Modes, limit: float, xy: Floats, a: Floats) -> PlanePair:
    """The modes with the static fields of the points."""
    grid, index, modes = solved.grid, solved.index, solved.modes
    feed, lack = sources(grid, index, xy), unresolved(grid, xy, a)
    if solved.ties is not None and len(xy):
        # A tie's current answers the port through the part of its field that the grid lacks as well.
        seen = solved.ties.seen_by(grid, xy, a) @ solved.ties.lack
        feed = feed - (solved.ties.feed @ seen.T).toarray()
        lack = lack - (seen @ solved.ties.seen_by(grid, xy, a).T).toarray()
    root = np.sqrt(solved.mass)
    # Static fields of the ports, and what of them lies beyond the modes.
    drive = feed / root[:, None]
    static_field = solved.inverse(drive)
    inside = modes.T @ static_field
    beyond = static_field - modes @ inside
    static = static_field.T @ drive
    mixed = inside.T @ (modes.T @ drive)
    static = static - mixed - mixed.T + (inside.T * (solved.eigenvalues - solved.shift)) @ inside + lack
    # the grid's mean dispersion
    corrected = solved.eigenvalues * (1 + solved.eigenvalues * grid.dx * grid.dy / 16)
    expansion = Expansion.build(corrected, modes.T @ drive, static, beyond.T @ beyond, solved.shift, limit)
    fields = np.hstack([modes, beyond]) / root[:, None]
    return PlanePair(pair, expansion, grid, index, fields, float(solved.mass.sum()))


def filled(shape: shapely.Polygon, points: Floats) -> shapely.Polygon:
    """The shape without the holes that contain a point."""
    if not isinstance(shape, shapely.Polygon) or not len(points) or not len(shape.interiors):
        return shape
    rings = shapely.get_rings(shape)[1:]
    empty = np.ones(len(rings), dtype=np.bool_)
    empty[shapely.STRtree(shapely.polygons(rings)).query(shapely.points(points), predicate="intersects")[1]] = False
    return shapely.polygons(shape.exterior, rings[empty])


def cell_size(shape: shapely.Polygon, limit: float, cells: int = CELLS) -> float:
    """Width of a cell, m, for eigenvalues up to `limit` (1/m2) and about so many cells on the copper."""
    if shape.is_empty:
        return 1.0  # refused by rasterise
    west, south, east, north = shape.bounds
    box = (east - west) * (north - south)
    return float(min(np.sqrt(max(shape.area, box / 5) / cells), PHASE / np.sqrt(max(limit, 1e-9))))


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
        raise TooCoarse("the shape of the plane pair falls apart on its grid: a neck is narrower than a quarter cell")
    links = links[main][:, main]
    index[holds] = np.where(main, np.cumsum(main) - 1, -1)
    stiffness = sparse.diags_array(np.asarray(links.sum(axis=1)).ravel()) - links
    return stiffness.tocsr(), (grid.volume * grid.dx * grid.dy)[index >= 0], index
