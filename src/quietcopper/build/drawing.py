"""Shapes for drawing a board. Lengths are in whatever unit the caller draws in; nothing here knows units."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import TypeAlias

import numpy as np
import shapely
from shapely import LineString, MultiPolygon, Polygon

from quietcopper.errors import CallError

Point = tuple[float, float]
Outline: TypeAlias = Polygon | Sequence[Point]  # a polygon, or its corners in order

CORNER_SEGMENTS = 16  # chords of a quarter circle: 0.12 % of the radius off the true arc
PAD_SEGMENTS = 8  # the same for pads and clearances: 0.5 % of the radius


def rectangle(x0: float, y0: float, x1: float, y1: float, *, corner: float = 0.0) -> Polygon:
    """Axis-parallel rectangle, its corners rounded by the radius `corner`.

    >>> rectangle(0, 0, 4, 2).area
    8.0
    >>> round(rectangle(0, 0, 4, 2, corner=1).area, 1)
    7.1
    """
    box = shapely.box(min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1))
    if corner <= 0:
        return box
    if 2 * corner > min(abs(x1 - x0), abs(y1 - y0)):
        raise CallError(f"rectangle: found corner {corner}; expected at most half of the shorter side")
    inset = shapely.box(*np.add(box.bounds, (corner, corner, -corner, -corner)))
    return shapely.convex_hull(shapely.MultiPoint(inset.exterior.coords)).buffer(corner, quad_segs=CORNER_SEGMENTS)


def circle(x: float, y: float, diameter: float) -> Polygon:
    """A disc."""
    return shapely.Point(x, y).buffer(diameter / 2, quad_segs=PAD_SEGMENTS)


def strip(points: Sequence[Point], width: float) -> Polygon:
    """A band of copper along a polyline with square ends and corners: the shape of a split or a wide feed.

    >>> strip([(0, 0), (10, 0)], 1).area
    10.0
    """
    return LineString(points).buffer(width / 2, cap_style="flat", join_style="mitre")


def as_polygon(shape: Outline) -> Polygon:
    """The shape as a valid polygon. Raises CallError for one that crosses itself or has no area."""
    polygon = shape if isinstance(shape, Polygon) else Polygon(shape)
    if not polygon.is_valid or polygon.area <= 0:
        raise CallError(
            f"polygon: {shapely.is_valid_reason(polygon)}, area {polygon.area:g}; expected a simple outline"
        )
    return polygon


def polygons(shape: shapely.Geometry) -> list[Polygon]:
    """The polygons in the result of an overlay, in a fixed order (left to right, bottom to top).

    >>> polygons(Polygon())
    []
    """
    parts = shapely.get_parts(shape) if not isinstance(shape, Polygon | MultiPolygon) else shapely.get_parts([shape])
    found = [part for part in parts if isinstance(part, Polygon) and not part.is_empty]
    return sorted(found, key=lambda part: part.bounds)


def octilinear(points: Sequence[Point], *, early: bool = False) -> list[Point]:
    """The polyline with a knee put into each leg that is neither straight nor at 45°: straight, then diagonal.

    early : diagonal first, then straight

    >>> octilinear([(0, 0), (5, 2)])
    [(0, 0), (3.0, 0.0), (5, 2)]
    >>> octilinear([(0, 0), (5, 2)], early=True)
    [(0, 0), (2.0, 2.0), (5, 2)]
    >>> octilinear([])
    []
    """
    out = list(points[:1])
    for (x0, y0), (x1, y1) in pairwise(points):
        dx, dy = x1 - x0, y1 - y0
        diagonal = min(abs(dx), abs(dy))
        if diagonal > 1e-9 * max(abs(dx), abs(dy)) and not math.isclose(abs(dx), abs(dy), rel_tol=1e-9):
            step = (math.copysign(diagonal, dx), math.copysign(diagonal, dy))
            out.append((x0 + step[0], y0 + step[1]) if early else (x1 - step[0], y1 - step[1]))
        out.append((x1, y1))
    return out


Segment = tuple[float, float, float, float, float, float, int]  # x0, y0, x1, y1, xc, yc, turn, as in board.Traces


def fillet(points: Sequence[Point], radius: float) -> list[Segment]:
    """Trace segments along a polyline; each inner corner becomes an arc of the radius where the legs are long enough.

    A corner between shorter legs gets the largest arc that leaves each leg its half.

    >>> [segment[6] for segment in fillet([(0, 0), (10, 0), (10, 10)], 2)]
    [0, 1, 0]
    >>> fillet([(0, 0)], 0)
    []
    """
    straight = (math.nan, math.nan, 0)
    if radius <= 0:
        return [(*p, *q, *straight) for p, q in pairwise(points)]
    out: list[Segment] = []
    at = points[0]
    for before, corner, after in zip(points[:-2], points[1:-1], points[2:], strict=True):
        leg_in, leg_out = math.dist(before, corner), math.dist(corner, after)
        u = ((corner[0] - before[0]) / leg_in, (corner[1] - before[1]) / leg_in)
        v = ((after[0] - corner[0]) / leg_out, (after[1] - corner[1]) / leg_out)
        cross = u[0] * v[1] - u[1] * v[0]
        half_turn = math.atan2(abs(cross), u[0] * v[0] + u[1] * v[1]) / 2
        if not 1e-6 < half_turn < math.pi / 2 - 1e-6:
            out.append((*at, *corner, *straight))
            at = corner
            continue
        setback = min(radius * math.tan(half_turn), leg_in / 2, leg_out / 2)
        r = setback / math.tan(half_turn)
        turn = 1 if cross > 0 else -1
        start = (corner[0] - u[0] * setback, corner[1] - u[1] * setback)
        end = (corner[0] + v[0] * setback, corner[1] + v[1] * setback)
        if math.dist(at, start) > 1e-9 * leg_in:
            out.append((*at, *start, *straight))
        out.append((*start, *end, start[0] - turn * r * u[1], start[1] + turn * r * u[0], turn))
        at = end
    if math.dist(at, points[-1]) > 0:
        out.append((*at, *points[-1], *straight))
    return out
