"""A plane pair's shape on a grid of square cells: the copper each cell holds, the passages between neighbours.

Areas and open lengths of cell faces are exact (each edge of the shape adds its trapezoids). Three things that a coarse
grid would get wrong are put right:

- Round holes that are not much larger than a cell (antipads) are spread over it: a hole takes twice its area from the
  conductance of the sheet and once from its capacitance, (1 - p)/(1 + p) for a share p (Maxwell, A Treatise on
  Electricity and Magnetism, 1873, section 314 in two dimensions). Larger ones stop at the cells' faces; between the two
  the law passes over with the size.
- Openings narrower than two fine cells (splits, slots of any slant) are found by scanning lines and close the fine
  cells they run through, so that a split separates however narrow it is.
- A cell that holds copper on both banks of a split keeps the passages of the larger one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from quietcopper.errors import CallError, OutOfRange
from quietcopper.fields.compiled import kernel
from quietcopper.fields.ranges import Floats

SUB = 4  # fine cells along a cell, for the shape alone
SLIVER = 0.02  # fine cells with less copper than this conduct nothing
NARROW = 2.0  # fine cells: openings narrower than this are found by scanning
SMALL = 6.0  # cells: larger holes are drawn, not spread


class TooCoarse(OutOfRange):
    """The grid does not see copper that matters; a finer one may."""


Rings = NDArray[np.object_]


@dataclass(frozen=True, eq=False)
class Grid:
    """Cells of size (dx, dy) from the corner (x0, y0). volume : (nx, ny) share of copper; right, up : passages
    between a cell and the next in x and y as shares of a full one, (nx-1, ny) and (nx, ny-1). drawn : the shape without
    the holes that are spread; centre : (nx, ny, 2) of what copper the cell's unknown stands for, m"""

    x0: float
    y0: float
    dx: float
    dy: float
    volume: Floats
    right: Floats
    up: Floats
    drawn: shapely.Polygon
    centre: Floats


def rasterise(shape: shapely.Polygon, size: float) -> Grid:
    """The grid over the shape's bounding box, cells about `size` m wide. Raises CallError for an unusable shape."""
    if not isinstance(shape, shapely.Polygon) or shape.is_empty or not shape.area > 0:
        raise CallError("the shape of a plane pair must be one polygon, in one connected piece")
    if not shape.is_valid:
        raise CallError(f"the shape of a plane pair is not valid: {shapely.is_valid_reason(shape)}")
    west, south, east, north = shape.bounds
    nx, ny = (max(round((hi - lo) / size), 3) for lo, hi in ((west, east), (south, north)))
    if nx * ny > 500_000:
        raise OutOfRange(f"{nx} x {ny} cells for one plane pair: its size and the highest frequency are out of reach")
    dx, dy = (east - west) / nx, (north - south) / ny
    drawn, holes, weights = _sort_holes(shapely.orient_polygons(shape), size)  # copper to the left of every edge
    edges, _ = _edges(shapely.get_rings(drawn), west, south, dx / SUB, dy / SUB)
    turned = np.ascontiguousarray(edges[:, [3, 2, 1, 0]])  # mirrored at the diagonal, copper still to the left
    fine, right = _coverage(edges, nx * SUB, ny * SUB)
    up = _coverage(turned, ny * SUB, nx * SUB)[1].T
    fine = np.clip(fine, 0.0, 1.0)
    volume = fine.reshape(nx, SUB, ny, SUB).mean((1, 3))
    fine[fine < SLIVER] = 0.0
    fine[_narrow(edges, nx * SUB, ny * SUB)] = 0.0
    fine[_narrow(turned, ny * SUB, nx * SUB)[::-1]] = 0.0
    _keep_main(fine, np.empty((SUB * SUB, 2), dtype=np.int64), np.empty((SUB, SUB), dtype=np.int64))
    centre = _centres(fine) * (dx / SUB, dy / SUB) + (west, south)
    # A face is open where both fine cells beside it are.
    right = np.where((fine[:-1] > 0) & (fine[1:] > 0), np.clip(right[:-1], 0, 1), 0.0)[SUB - 1 :: SUB]
    up = np.where((fine[:, :-1] > 0) & (fine[:, 1:] > 0), np.clip(up[:, :-1], 0, 1), 0.0)[:, SUB - 1 :: SUB]
    right, up = right.reshape(nx - 1, ny, SUB).mean(2), up.reshape(nx, SUB, ny - 1).mean(1)
    if len(holes):
        hole, bent = _spread(holes, weights, west, south, dx, dy, nx, ny)
        volume = np.maximum(volume - hole.reshape(nx, 2, ny, 2).mean((1, 3)), 0.0)
        right = right * _maxwell(hole[1:-1].reshape(nx - 1, 2, ny, 2), bent[1:-1].reshape(nx - 1, 2, ny, 2))
        up = up * _maxwell(hole[:, 1:-1].reshape(nx, 2, ny - 1, 2), bent[:, 1:-1].reshape(nx, 2, ny - 1, 2))
    return Grid(west, south, dx, dy, volume, right, up, drawn, centre)


def _centres(fine: Floats) -> Floats:
    """(nx, ny, 2) centre of what is left in each coarse cell, in fine cells; its middle where nothing is."""
    nx, ny = fine.shape[0] // SUB, fine.shape[1] // SUB
    parts = fine.reshape(nx, SUB, ny, SUB)
    step = np.arange(SUB) - (SUB - 1) / 2
    total = np.maximum(parts.sum((1, 3)), 1e-12)
    offset = np.stack([np.einsum("iajb,a->ij", parts, step), np.einsum("iajb,b->ij", parts, step)], axis=-1)
    middle = np.stack(np.meshgrid(np.arange(nx), np.arange(ny), indexing="ij"), axis=-1) * SUB + SUB / 2
    return middle + offset / total[..., None]


def _sort_holes(shape: shapely.Polygon, size: float) -> tuple[shapely.Polygon, Rings, Floats]:
    """The shape with its small round holes filled, and those holes with their weight in Maxwell's law."""
    holes = shapely.get_rings(shape)[1:]
    sides = np.diff(shapely.bounds(holes).reshape(-1, 2, 2), axis=1)[:, 0]
    long, short = sides.max(axis=1), sides.min(axis=1)
    drawn = (long > SMALL * size) | (long > 2 * short)
    # Full law for holes well below a cell; the passage fitted to reference solutions of pierced planes.
    weight = 1 / (1 + (np.sqrt(long * short) / (2 * size)) ** 3)
    return shapely.polygons(shape.exterior, holes[drawn]), holes[~drawn], weight[~drawn]


def _spread(
    holes: Rings, weights: Floats, x0: float, y0: float, dx: float, dy: float, nx: int, ny: int
) -> tuple[Floats, Floats]:
    """Share of half cells (2 nx, 2 ny) that the holes take, and the same weighted."""
    total, weighted = np.zeros((2 * nx, 2 * ny)), np.zeros((2 * nx, 2 * ny))
    edges, hole = _edges(holes, x0, y0, dx / 2, dy / 2)
    edges = edges[:, [2, 3, 0, 1]]  # the hole to the left
    weights = np.round(weights, 12)  # holes of one size that rounding tells apart
    for weight in np.unique(weights):
        part, _ = _coverage(np.ascontiguousarray(edges[weights[hole] == weight]), 2 * nx, 2 * ny)
        total += part
        weighted += weight * part
    return np.clip(total, 0.0, 1.0), np.clip(weighted, 0.0, 1.0)


def _maxwell(hole: Floats, weighted: Floats) -> Floats:
    """Passage through a sheet with holes, from the half cells between two middles."""
    p, w = hole.mean((1, 3)), weighted.mean((1, 3))
    return (1 - p) / (1 + w)


def _edges(rings: Rings, x0: float, y0: float, dx: float, dy: float) -> tuple[Floats, NDArray[np.intp]]:
    """(n, 4) all edges of the rings as x, y, x, y in cells, in the rings' own sense, and the ring of each."""
    points, ring = shapely.get_coordinates(rings, return_index=True)
    points = (points - (x0, y0)) / (dx, dy)
    inner = ring[1:] == ring[:-1]
    return np.hstack([points[:-1], points[1:]])[inner], ring[1:][inner]


def _coverage(edges: Floats, nx: int, ny: int) -> tuple[Floats, Floats]:
    """(nx, ny) covered share of each unit cell and open share of its right face, exact.

    Each edge, cut at the grid lines, adds the area to its right in its own cell and its height to all cells beyond.
    """
    area, right = np.zeros((2, nx, ny))
    _cover(edges, area, right)
    return area, right


@kernel("f8[:,::1], f8[:,::1], f8[:,::1]")
def _cover(edges: Floats, area: Floats, right: Floats) -> None:  # pragma: no cover - compiled
    """As _coverage, into two tables of zeros."""
    nx, ny = area.shape
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
            right[i, j] -= qy - py
            t, px, py = step, qx, qy
    for j in range(ny):
        left = 0.0
        for i in range(nx):
            area[i, j] += left
            left += right[i, j]
            right[i, j] = left


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
    position = np.arange(len(row)) - np.searchsorted(row, row)  # odd: copper ends here
    ends = np.flatnonzero((position[:-1] % 2 == 1) & (row[1:] == row[:-1]))
    ends = ends[x[ends + 1] - x[ends] < NARROW]
    column = np.clip(np.floor((x[ends] + x[ends + 1]) / 2), 0, nx - 1).astype(np.intp)
    return column, np.clip(row[ends], 0, ny - 1)


@kernel("f8[:,::1], i8[:,::1], i8[:,::1]")
def _keep_main(fine: Floats, stack: NDArray[np.int64], label: NDArray[np.int64]) -> None:  # pragma: no cover - compiled
    """Of each coarse cell keep the largest connected part, so that one unknown never stands for both banks of a gap.

    stack, label : room, (SUB * SUB, 2) and (SUB, SUB)
    """
    for ci in range(fine.shape[0] // SUB):
        for cj in range(fine.shape[1] // SUB):
            label[:] = 0
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
