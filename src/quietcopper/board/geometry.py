"""Plane geometry that readers, builders and checks share. Lengths in metres."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from quietcopper.board.model import ARC_SAG


def arc_points(
    x0: float, y0: float, x1: float, y1: float, xc: float, yc: float, turn: int, sag: float = ARC_SAG
) -> NDArray[np.float64]:
    """Points along a circular arc from (x0, y0) to (x1, y1) round (xc, yc), shape (n, 2), ends kept exactly.

    turn : +1 counter-clockwise, -1 clockwise. Start equal to end means the full circle. The radius runs linearly from
    the start's to the end's, so a centre that is slightly off still joins both ends. sag bounds the chord error, m.
    """
    r0, r1 = np.hypot(x0 - xc, y0 - yc), np.hypot(x1 - xc, y1 - yc)
    a0, a1 = np.arctan2(y0 - yc, x0 - xc), np.arctan2(y1 - yc, x1 - xc)
    sweep = (a1 - a0) * turn % (2 * np.pi)
    if x0 == x1 and y0 == y1:
        sweep = 2 * np.pi
    r = float(max(r0, r1))
    step = 2 * np.arccos(max(1 - sag / r, 0.5)) if r > 0 else np.pi
    n = int(min(max(np.ceil(sweep / step), 1), 4096))
    t = np.linspace(0.0, 1.0, n + 1)
    angle, radius = a0 + turn * sweep * t, r0 + (r1 - r0) * t
    out = np.stack([xc + radius * np.cos(angle), yc + radius * np.sin(angle)], axis=-1)
    out[0], out[-1] = (x0, y0), (x1, y1)
    return out


def within(
    at: NDArray[np.float64], others: NDArray[np.float64], reach: float
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Which of the places `at` (n, 2) and `others` (m, 2) lie at most `reach` apart: rows (k,) of either, the farthest
    first, so that of what is written row by row the nearest stays."""
    row, other = shapely.STRtree(shapely.points(others)).query(shapely.points(at), "dwithin", reach)
    order = np.argsort(-np.hypot(*(at[row] - others[other]).T), kind="stable")
    return row[order], other[order]


def boxes(shapes: NDArray[np.object_], margin: float | NDArray[np.float64]) -> NDArray[np.object_]:
    """The bounding boxes of shapes (n,), larger on all sides by a margin, m, of all or of each."""
    west, south, east, north = shapely.bounds(shapes).T
    return np.asarray(shapely.box(west - margin, south - margin, east + margin, north + margin))


def tiles(shape: BaseGeometry, vertices: int = 96, smallest: float = 0.2e-3) -> list[Polygon]:
    """A polygon cut into polygons of at most about `vertices` vertices, by halving its box across the longer side.

    Together they cover exactly the same copper. A plane must be cut up before it meets an overlay or distance query:
    their cost grows with the vertices of the whole. Tiles are not halved below `smallest` (m). An invalid polygon is
    returned whole, because clipping it could lose copper. Kept for shapes met again.
    """
    return list(_tiles(shape, vertices, smallest))


@lru_cache(maxsize=1024)
def _tiles(shape: BaseGeometry, vertices: int, smallest: float) -> tuple[Polygon, ...]:
    if not shape.is_valid:
        return tuple(part for part in shapely.get_parts(shape).tolist() if isinstance(part, Polygon))
    done: list[Polygon] = []
    todo = [part for part in shapely.get_parts(shape).tolist() if isinstance(part, Polygon) and not part.is_empty]
    while todo:
        part = todo.pop()
        x0, y0, x1, y1 = part.bounds
        if shapely.get_num_coordinates(part) <= vertices or max(x1 - x0, y1 - y0) <= smallest:
            done.append(part)
            continue
        xm, ym = ((x0 + x1) / 2, y1) if x1 - x0 >= y1 - y0 else (x1, (y0 + y1) / 2)
        boxes = (x0, y0, xm, ym), ((xm, y0, x1, y1) if xm < x1 else (x0, ym, x1, y1))
        halves = [shapely.clip_by_rect(part, *box) for box in boxes]
        if abs(sum(half.area for half in halves) - part.area) > 1e-9 * part.area:
            # the quick clipping is not exact for every ring that touches the cut, and may have left such a ring before
            whole = part if part.is_valid else shapely.make_valid(part)
            halves = [shapely.intersection(whole, shapely.box(*box)) for box in boxes]
        todo.extend(piece for half in halves for piece in shapely.get_parts(half) if isinstance(piece, Polygon))
    # A ring that runs along a cut there and back is quick clipping's too: no overlay takes it.
    sound = np.array(done, dtype=object)
    torn = ~shapely.is_valid(sound)
    if not torn.any():
        return tuple(done)
    mended = shapely.get_parts(shapely.make_valid(sound[torn]))
    mended = shapely.get_parts(mended)  # of the collections among them
    return (*sound[~torn], *mended[shapely.area(mended) > 0])


def points_along(lines: NDArray[np.object_], row: NDArray[np.intp], share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points (n, 2) of the lines `row` (n,) at shares (n,) of their lengths, 0 to 1."""
    points, of = shapely.get_coordinates(lines, return_index=True)
    step = np.append(np.sqrt((np.diff(points, axis=0) ** 2).sum(axis=1)), 0.0)
    step[np.flatnonzero(np.diff(of, append=-1))] = 0.0  # from the end of a line to the next
    before = np.concatenate([[0.0], np.cumsum(step)])
    first, last = np.searchsorted(of, [row, row + 1])
    along = share * np.bincount(of, step)[row]
    at = np.searchsorted(before, before[first] + along, side="right") - 1
    at = np.clip(at, first, np.maximum(last - 2, first))
    along = along - (before[at] - before[first])
    part = np.divide(along, step[at], out=np.zeros(len(at)), where=step[at] > 0)
    return points[at] + np.clip(part, 0.0, 1.0)[:, None] * (points[at + 1] - points[at])


def edge_pieces(shapes: NDArray[np.object_]) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """The straight pieces of the edges of polygons, one line each, and of which polygon each is."""
    rings, of_ring = shapely.get_parts(shapely.boundary(shapes), return_index=True)
    points, of_point = shapely.get_coordinates(rings, return_index=True)
    edge = np.flatnonzero(of_point[1:] == of_point[:-1])
    return shapely.linestrings(np.stack([points[edge], points[edge + 1]], axis=1)), of_ring[of_point[edge]]
