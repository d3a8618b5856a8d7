"""How far traces run from the outer edge of the copper that they refer to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely import LineString, Polygon

from quietcopper.board.model import Floats, Ints
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
        near = shapely.STRtree(board.areas.shape[candidates]).nearest(middle[rows])
        area[rows] = candidates[near]
        height[rows] = board.distance(*sorted((int(layer), main)))
    inside = np.full(len(runs), np.inf)
    for row in np.unique(area[area >= 0]):
        mine = np.flatnonzero(area == row)
        ring = board.areas.shape[row].exterior
        shapely.prepare(ring)
        distance = shapely.distance(ring, middle[mine])
        inside[mine] = np.where(runs.reference[mine] >= 0, distance, -distance)
        # what has no reference within the outer edge lies over an opening: a gap, not an edge
        opening = (runs.reference[mine] < 0) & shapely.covers(Polygon(ring), middle[mine])
        inside[mine[opening]] = np.inf
    close = np.flatnonzero((area >= 0) & (inside < heights * height))
    widths = np.array([_width_across(board.areas.shape[area[i]], runs.line[i], middle[i]) for i in close])
    return EdgeRuns(close.astype(np.int32), area[close], height[close], inside[close], widths)


def _width_across(shape: Polygon, line: LineString, middle: shapely.Point) -> float:
    """Extent of an area's outer shape across a line at its middle, m; from a point beyond the area, of its nearest
    part."""
    (x0, y0), (x1, y1) = line.coords[0], line.coords[-1]
    size = np.hypot(x1 - x0, y1 - y0)
    if size == 0:
        return float(np.sqrt(shape.area))
    nx, ny = -(y1 - y0) / size * FAR, (x1 - x0) / size * FAR
    cut = LineString([(middle.x - nx, middle.y - ny), (middle.x + nx, middle.y + ny)])
    parts = [p for p in shapely.get_parts(Polygon(shape.exterior).intersection(cut)) if p.length > 0]
    if not parts:
        return float(np.sqrt(shape.area))
    return float(min(parts, key=lambda p: (round(p.distance(middle), 9), -p.length)).length)
