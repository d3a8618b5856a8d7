"""How far traces run from the outer edge of the copper that they refer to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely import Polygon

from quietcopper.board.model import Floats, Ints, Shapes
from quietcopper.electrical.view import View

FAR = 1.0  # m; longer than any board, for lines that cut right through one


@dataclass(frozen=True, eq=False)
class EdgeRuns:
    """Runs close to the outer edge of their reference, or beyond it. One row each.

    run : row in view.runs; area : row in board.areas of the reference (for a run beyond it, the nearest one on the
    layer it
    refers to); height : to that layer, m; inside : distance of the run's middle to the edge, m, negative beyond it
    plane_width : extent of the area across the trace at that place, m
    """

    run: Ints
    area: Ints
    height: Floats
    inside: Floats
    plane_width: Floats


def runs_near_edge(view: View, heights: float) -> EdgeRuns:
    """Runs whose middle lies within `heights` times the distance to the reference from the reference's outer edge.

    Runs without any reference count when their own layer refers to area copper elsewhere: they are beyond its edge.
    Openings inside an area are gaps, not edges, and are not looked at here.
    """
    board, runs = view.board, view.runs
    middle = shapely.line_interpolate_point(runs.line, 0.5, normalized=True)
    area, height = runs.reference.copy(), runs.reference_gap.copy()
    bare = np.flatnonzero(area < 0)
    for layer in np.unique(runs.layer[bare]):
        rows = bare[runs.layer[bare] == layer]
        covered = (runs.layer == layer) & (runs.reference >= 0)
        if not covered.any():
            continue
        length = runs.length[covered]
        on = board.areas.layer[runs.reference[covered]]
        main = int(np.argmax(np.bincount(on, weights=length, minlength=len(board.layers))))
        candidates = np.flatnonzero(board.areas.layer == main)
        if len(candidates) > 1:
            candidates = candidates[shapely.STRtree(board.areas.shape[candidates]).nearest(middle[rows])]
        area[rows] = candidates
        height[rows] = board.distance(*sorted((int(layer), main)))
    inside, widths = np.full(len(runs), np.inf), np.full(len(runs), np.nan)
    for row in np.unique(area[area >= 0]):
        mine = np.flatnonzero(area == row)
        ring = board.areas.shape[row].exterior
        shapely.prepare(ring)
        distance = shapely.distance(ring, middle[mine])
        inside[mine] = np.where(runs.reference[mine] >= 0, distance, -distance)
        # what has no reference within the outer edge lies over an opening: a gap, not an edge
        whole = Polygon(ring)
        opening = mine[runs.reference[mine] < 0]
        inside[opening[shapely.covers(whole, middle[opening])]] = np.inf
        close = mine[inside[mine] < heights * height[mine]]
        widths[close] = _widths_across(whole, board.areas.shape[row].area, runs.line[close], middle[close])
    close = np.flatnonzero(np.isfinite(widths))
    return EdgeRuns(close.astype(np.int32), area[close], height[close], inside[close], widths[close])


def _widths_across(whole: Polygon, size: float, lines: Shapes, middle: Shapes) -> Floats:
    """Extent of an area's outer shape across each line at its middle, m; from a point beyond the area, of its nearest
    part. size : of the area, m2, whose root stands for the extent where nothing lies across"""
    out = np.full(len(lines), np.sqrt(size))
    ends = shapely.get_coordinates(shapely.get_point(lines, [[0], [-1]])).reshape(2, -1, 2)
    along = ends[1] - ends[0]
    length = np.hypot(*along.T)
    ahead = np.flatnonzero(length > 0)
    across = np.stack([-along[ahead, 1], along[ahead, 0]], -1) / length[ahead, None] * FAR
    at = shapely.get_coordinates(middle[ahead])
    cuts = shapely.intersection(whole, shapely.linestrings(np.stack([at - across, at + across], axis=1)))
    parts, of = shapely.get_parts(cuts, return_index=True)
    extent = shapely.length(parts)
    away = np.round(shapely.distance(parts, middle[ahead[of]]), 9)
    order = np.lexsort((-extent, away, of))
    order = order[extent[order] > 0]
    nearest = order[np.diff(of[order], prepend=-1) > 0]
    out[ahead[of[nearest]]] = extent[nearest]
    return out
