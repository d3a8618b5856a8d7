"""A plane pair's shape on a coarse grid: how much copper each cell holds and how well current passes between cells.

The shape is rasterised exactly (areas by the trapezoid each edge cuts from a cell) on a grid SUB times finer than the
unknowns. Between two cells' middles the fine cells are joined in two ways: in series of parallel rows, which is too
good, and as parallel rows in series, which is too poor (the bounds of Cardwell & Parsons, Trans. AIME 160, 1945); a
mixture of the two stands for the passage. Openings narrower than two fine cells (splits, thin slots) are found by
scanning lines and close the fine cells they run through, so that a split of any width separates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numba import njit
from numpy.typing import NDArray

from quietcopper.errors import CallError, OutOfRange
from quietcopper.fields.ranges import Floats

SUB = 4
MIX = 0.7  # share of the upper bound: the value that met reference solutions of pierced planes best
SLIVER = 0.02  # fine cells with less copper than this conduct nothing
NARROW = 2.0  # fine cells: openings narrower than this are found by scanning


@dataclass(frozen=True, eq=False)
class Grid:
    """Cells of size (dx, dy) from the corner (x0, y0). volume : (nx, ny) share of copper; right, up : passages
    between a cell and the next in x and y as shares of a full one, (nx-1, ny) and (nx, ny-1)."""

    x0: float
    y0: float
    dx: float
    dy: float
    volume: Floats
    right: Floats
    up: Floats


def rasterise(shape: shapely.Polygon, cells: int) -> Grid:
    """The grid of about `cells` cells over the shape's bounding box, for cells as square as fit."""
    if not isinstance(shape, shapely.Polygon) or shape.is_empty:
        raise CallError("the shape of a plane pair must be one polygon, in one connected piece")
    if not shape.is_valid:
        raise CallError(f"the shape of a plane pair is not valid: {shapely.is_valid_reason(shape)}")
    west, south, east, north = shape.bounds
    size = np.sqrt((east - west) * (north - south) / cells)
    nx, ny = (max(round((hi - lo) / size), 3) for lo, hi in ((west, east), (south, north)))
    if nx * ny > 4 * cells + 100:
        raise OutOfRange(f"the shape is {max(nx, ny) / min(nx, ny):.0f} times longer than wide: a line, not a plane pair")
    dx, dy = (east - west) / nx, (north - south) / ny
    edges = _edges(shape, west, south, dx / SUB, dy / SUB)
    fine = np.clip(_coverage(edges, nx * SUB, ny * SUB), 0.0, 1.0)
    volume = fine.reshape(nx, SUB, ny, SUB).mean((1, 3))
    open_ = np.where(fine < SLIVER, 0.0, fine)
    for k, r in (_narrow(edges, nx * SUB, ny * SUB), _narrow(edges[:, [1, 0, 3, 2]], ny * SUB, nx * SUB)[::-1]):
        open_[k, r] = 0.0
    _keep_main(open_)
    right = _passages(open_, nx, ny)
    up = _passages(np.ascontiguousarray(open_.T), ny, nx).T
    return Grid(west, south, dx, dy, volume, right, up)


def _edges(shape: shapely.Polygon, x0: float, y0: float, dx: float, dy: float) -> Floats:
    """(n, 4) all edges as x, y, x, y in cells, copper to their left."""
    rings = shapely.get_rings(shapely.geometry.polygon.orient(shape))
    parts = []
    for ring in rings:
        c = (shapely.get_coordinates(ring) - (x0, y0)) / (dx, dy)
        parts.append(np.hstack([c[:-1], c[1:]]))
    return np.vstack(parts)


@njit(cache=True)
def _coverage(edges: Floats, nx: int, ny: int) -> Floats:  # pragma: no cover - compiled
    """(nx, ny) covered share of each unit cell, exact: each edge adds the area to its right, cell by cell."""
    area = np.zeros((nx, ny))
    cover = np.zeros((nx, ny))
    for e in range(edges.shape[0]):
        x0, y0 = edges[e, 0], edges[e, 1]
        dx, dy = edges[e, 2] - x0, edges[e, 3] - y0
        t, px, py = 0.0, x0, y0
        while t < 1.0:
            step = 1.0
            if dx != 0.0:
                k = np.floor(px) + 1 if dx > 0 else np.ceil(px) - 1
                s = (k - x0) / dx
                if s <= t:
                    s = (k + np.sign(dx) - x0) / dx
                step = min(step, s)
            if dy != 0.0:
                k = np.floor(py) + 1 if dy > 0 else np.ceil(py) - 1
                s = (k - y0) / dy
                if s <= t:
                    s = (k + np.sign(dy) - y0) / dy
                step = min(step, s)
            qx, qy = x0 + step * dx, y0 + step * dy
            i = min(max(int(np.floor((px + qx) / 2)), 0), nx - 1)
            j = min(max(int(np.floor((py + qy) / 2)), 0), ny - 1)
            area[i, j] -= (qy - py) * (i + 1 - (px + qx) / 2)
            cover[i, j] -= qy - py
            t, px, py = step, qx, qy
    for j in range(ny):
        left = 0.0
        for i in range(nx):
            area[i, j] += left
            left += cover[i, j]
    return area


def _narrow(edges: Floats, nx: int, ny: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Fine cells (column, row) that hold the middle of a narrow opening between copper on the row's middle line."""
    low, high = np.minimum(edges[:, 1], edges[:, 3]), np.maximum(edges[:, 1], edges[:, 3])
    first = np.ceil(low - 0.5).astype(np.intp)
    last = np.ceil(high - 0.5).astype(np.intp)  # lines at row + 0.5 with low <= line < high
    count = np.maximum(last - first, 0)
    edge = np.repeat(np.arange(len(edges)), count)
    row = first[edge] + np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
    e = edges[edge]
    x = e[:, 0] + (row + 0.5 - e[:, 1]) / (e[:, 3] - e[:, 1]) * (e[:, 2] - e[:, 0])
    order = np.lexsort((x, row))
    row, x = row[order], x[order]
    start = np.searchsorted(row, row)
    position = np.arange(len(row)) - start  # odd: copper ends here
    ends = np.flatnonzero((position[:-1] % 2 == 1) & (row[1:] == row[:-1]))
    ends = ends[x[ends + 1] - x[ends] < NARROW]
    column = np.clip(np.floor((x[ends] + x[ends + 1]) / 2), 0, nx - 1).astype(np.intp)
    return column, np.clip(row[ends], 0, ny - 1)


@njit(cache=True)
def _keep_main(fine: Floats) -> None:  # pragma: no cover - compiled
    """Of each coarse cell keep the largest connected part, so that one unknown never stands for both banks of a gap."""
    stack = np.empty((SUB * SUB, 2), np.int64)
    for ci in range(fine.shape[0] // SUB):
        for cj in range(fine.shape[1] // SUB):
            label = np.zeros((SUB, SUB), np.int64)
            found, best, best_size = 0, 0, 0.0
            for a in range(SUB):
                for b in range(SUB):
                    if label[a, b] or fine[ci * SUB + a, cj * SUB + b] <= 0.0:
                        continue
                    found += 1
                    size, top = 0.0, 1
                    label[a, b] = found
                    stack[0, 0], stack[0, 1] = a, b
                    while top:
                        top -= 1
                        p, q = stack[top, 0], stack[top, 1]
                        size += fine[ci * SUB + p, cj * SUB + q]
                        for step in range(4):
                            u = p + (1 if step == 0 else -1 if step == 1 else 0)
                            v = q + (1 if step == 2 else -1 if step == 3 else 0)
                            inside = 0 <= u < SUB and 0 <= v < SUB
                            if inside and label[u, v] == 0 and fine[ci * SUB + u, cj * SUB + v] > 0.0:
                                label[u, v] = found
                                stack[top, 0], stack[top, 1] = u, v
                                top += 1
                    if size > best_size:
                        best, best_size = found, size
            if found > 1:
                for a in range(SUB):
                    for b in range(SUB):
                        if label[a, b] != best:
                            fine[ci * SUB + a, cj * SUB + b] = 0.0


@njit(cache=True)
def _passages(fine: Floats, nx: int, ny: int) -> Floats:  # pragma: no cover - compiled
    """(nx-1, ny) passage in x between the middles of neighbouring coarse cells, 1 for solid copper.

    From the common face the fine columns are followed to either middle, as far as there is copper: a cell whose
    middle is bare has its unknown in what copper it holds.
    """
    half = SUB // 2
    out = np.zeros((nx - 1, ny))
    for i in range(nx - 1):
        face = (i + 1) * SUB
        for j in range(ny):
            low = j * SUB
            across = 0.0
            for r in range(low, low + SUB):
                across += min(fine[face - 1, r], fine[face, r])
            if across <= 0.0:
                continue
            upper = 0.0
            for side in range(2):
                for step in range(half):
                    k = face - 1 - step if side == 0 else face + step
                    column = 0.0
                    for r in range(low, low + SUB):
                        column += fine[k, r]
                    if column <= 0.0:
                        break
                    upper += SUB / column
            lower = 0.0
            for r in range(low, low + SUB):
                resistance = 0.0
                for side in range(2):
                    for step in range(half):
                        value = fine[face - 1 - step, r] if side == 0 else fine[face + step, r]
                        if value <= 0.0:
                            if step == 0:
                                resistance = np.inf
                            break
                        resistance += 1 / value
                lower += 1 / resistance
            out[i, j] = SUB * (MIX / upper + (1 - MIX) * lower / SUB)
    return out
