"""Which strokes are traces and which only paint an area.

The rule, by geometry alone, among strokes with a round aperture on one layer and of one net:

1. A stroke whose two ends are neighbouring corners of a region's contour is that region's edge: it belongs to the area.
   Writers draw pours so, a little smaller and with a line of the smallest width round them.
2. A straight stroke that has parallel strokes of its own width beside it, closer than their width, along at least half
   of its length, is paint: traces keep a clearance, hatching does not.
3. A stroke of which at least half lies within such paint (the border of a hatched pour, a trace's stub inside it)
   belongs to the area.

Everything else with a round aperture is a trace with its centre line and width.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Geometry, STRtree

from quietcopper.board.model import Bools, Floats, Shapes

GRID = 1e-8  # m; corners nearer than this are the same
PARALLEL = 0.02  # sine of the angle between strokes that count as parallel
BESIDE = 0.1  # of the width; nearer strokes lie on each other, which says nothing
TOUCHING = 1.001  # of the width; further apart there is a gap between them
HALF = 0.5
MAX_PAIRS = 2_000_000  # of neighbours looked at in one go

Indices = NDArray[np.intp]


def edge_owner(
    points: Floats, ends: NDArray[np.int64], contour_net: NDArray[Any], strokes: Floats, net: NDArray[Any]
) -> NDArray[np.int64]:
    """The contour that each stroke is an edge of, -1 for none, shape (strokes,).

    points, ends : contours as in GerberImage; contour_net : of each contour; strokes : x0, y0, x1, y1, shape (n, 4)
    """
    out = np.full(len(strokes), -1)
    if not len(points) or not len(strokes):
        return out
    last = np.zeros(len(points), dtype=np.bool_)
    last[ends[1:][ends[1:] > ends[:-1]] - 1] = True
    contour = np.repeat(np.arange(len(ends) - 1), np.diff(ends))
    begin = np.flatnonzero(~last)
    sides = _keys(np.concatenate([points[begin], points[begin + 1]], axis=1), contour_net[contour[begin]])
    wanted = _keys(strokes, net)
    order = np.argsort(sides, kind="stable")
    at = np.searchsorted(sides[order], wanted)
    found = at < len(sides)
    found[found] = sides[order[at[found]]] == wanted[found]
    out[found] = contour[begin[order[at[found]]]]
    return out


def _keys(ends: Floats, net: NDArray[Any]) -> NDArray[np.void]:
    """Segments with their net as comparable keys, the same for both directions."""
    grid = np.round(ends / GRID).astype(np.int64)
    swap = (grid[:, 0] > grid[:, 2]) | ((grid[:, 0] == grid[:, 2]) & (grid[:, 1] > grid[:, 3]))
    grid[swap] = grid[swap][:, [2, 3, 0, 1]]
    rows = np.ascontiguousarray(np.column_stack([grid, net]).astype(">i8"))
    return rows.view(np.dtype((np.void, rows.dtype.itemsize * rows.shape[1]))).ravel()


def hatching(strokes: Floats, width: Floats, net: NDArray[Any]) -> Bools:
    """Which straight strokes are hatching (rule 2). strokes : x0, y0, x1, y1, shape (n, 4)."""
    out = np.zeros(len(strokes), dtype=np.bool_)
    # widths differ in the last digits where the unit was converted
    key = np.stack([net, np.round(width / GRID).astype(np.int64)], axis=-1)
    _, group = np.unique(key, axis=0, return_inverse=True)
    group = group.ravel()
    for each in np.flatnonzero(np.bincount(group, minlength=1) > 1):
        rows = np.flatnonzero(group == each)
        out[rows] = _beside(strokes[rows], float(width[rows[0]])) >= HALF
    return out


def _beside(strokes: Floats, width: float) -> Floats:
    """Share of each stroke's length that has a parallel stroke close beside it, on its better side, 0 to 1."""
    start, step = strokes[:, :2], strokes[:, 2:] - strokes[:, :2]
    length = np.hypot(step[:, 0], step[:, 1])
    long = np.flatnonzero(length > 0)
    along = step[long] / length[long, None]
    lines = shapely.linestrings(strokes[long].reshape(-1, 2, 2))
    tree = STRtree(lines)
    covered = np.zeros((2, len(strokes)))
    at_once = max(1, MAX_PAIRS // 64)
    for begin in range(0, len(long), at_once):
        one, two = tree.query(lines[begin : begin + at_once], predicate="dwithin", distance=width * TOUCHING)
        one = one + begin
        other = one != two
        one, two = one[other], two[other]
        flat = np.abs(along[one, 0] * along[two, 1] - along[one, 1] * along[two, 0]) < PARALLEL
        one, two = one[flat], two[flat]
        ends = strokes[long[two]].reshape(-1, 2, 2) - start[long[one]][:, None, :]
        on = np.einsum("ijk,ik->ij", ends, along[one])
        aside = ends[:, :, 1] * along[one, None, 0] - ends[:, :, 0] * along[one, None, 1]
        middle = aside.mean(axis=1)
        near = (np.abs(middle) > BESIDE * width) & (np.abs(middle) <= TOUCHING * width)
        shared = np.minimum(on.max(axis=1), length[long[one]]) - np.maximum(on.min(axis=1), 0.0)
        use = near & (shared > 0)
        np.add.at(covered, ((middle[use] > 0).astype(np.intp), long[one[use]]), shared[use])
    share = covered.max(axis=0)
    return np.divide(share, length, out=np.zeros_like(share), where=length > 0)


def inside(lines: Shapes, paint: Geometry) -> Bools:
    """Which centre lines lie at least half within painted copper (rule 3), shape (n,)."""
    out = np.zeros(len(lines), dtype=np.bool_)
    pieces = shapely.get_parts(paint)
    if not len(lines) or not len(pieces):
        return out
    shapely.prepare(pieces)
    line, piece = STRtree(pieces).query(lines, predicate="intersects")
    whole = shapely.contains_properly(pieces[piece], lines[line])
    out[line[whole]] = True
    line, piece = line[~out[line]], piece[~out[line]]
    within = np.zeros(len(lines))
    np.add.at(within, line, shapely.length(shapely.intersection(lines[line], pieces[piece])))
    length = shapely.length(lines)
    points = length == 0
    out |= (within >= HALF * length) & ~points
    out[line[points[line]]] = True
    return out
