"""Standard primitives, contours and strokes as shapely shapes round their own origin, in metres.

Where a primitive's meaning is not in the element itself (which way a hexagon points, what a thermal's spokes are) it is
taken from IPC-2581B, section on standard primitives, from memory.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable
from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Geometry, LineString, Polygon

from quietcopper.board.geometry import arc_points
from quietcopper.board.model import ARC_SAG
from quietcopper.formats.ipc2581.nodes import Node
from quietcopper.formats.ipc2581.values import BadValue, Unit, angle, flag, length, number, size

Coords = NDArray[np.float64]


class NoShape(Exception):
    """A shape that cannot be had: the message, without place, is what is counted as not read."""


def corners(count: int, radius: float, first: float = 0.0) -> Coords:
    """Corners of a regular polygon counter-clockwise, shape (count, 2); `first` is the first one's angle, rad."""
    angles = first + 2 * np.pi * np.arange(count) / count
    return np.stack([radius * np.cos(angles), radius * np.sin(angles)], axis=-1)


@lru_cache(maxsize=4096)
def circle(diameter: float) -> Polygon:
    """A disc, flattened to ARC_SAG, at least 16 and at most 256 corners."""
    radius = diameter / 2
    step = 2 * math.acos(max(1 - ARC_SAG / radius, 0.0)) if radius > 0 else math.pi
    return Polygon(corners(min(max(4 * math.ceil(math.pi / 2 / step), 16), 256), radius))


def rectangle(width: float, height: float) -> Polygon:
    x, y = width / 2, height / 2
    return shapely.box(-x, -y, x, y)


def cornered(width: float, height: float, cut: float, which: tuple[bool, bool, bool, bool], round_: bool) -> Polygon:
    """A rectangle with corners cut off or rounded; which : lower left, lower right, upper right, upper left."""
    x, y = width / 2, height / 2
    cut = min(cut, x, y)
    out: list[Coords] = []
    places = ((-x, -y), (x, -y), (x, y), (-x, y))
    for k, ((px, py), cut_here) in enumerate(zip(places, which, strict=True)):
        if not cut_here or cut <= 0:
            out.append(np.array([[px, py]]))
            continue
        cx, cy = px - math.copysign(cut, px), py - math.copysign(cut, py)
        quadrant = np.pi + k * np.pi / 2
        start = (cx + cut * round(math.cos(quadrant)), cy + cut * round(math.sin(quadrant)))
        end = (cx + cut * round(math.cos(quadrant + np.pi / 2)), cy + cut * round(math.sin(quadrant + np.pi / 2)))
        out.append(arc_points(*start, *end, cx, cy, 1) if round_ else np.array([start, end]))
    return Polygon(np.concatenate(out))


def oval(width: float, height: float) -> Polygon:
    """A rectangle whose shorter sides are half circles."""
    return cornered(width, height, min(width, height) / 2, (True,) * 4, round_=True)


def ring_of(node: Node) -> Coords:
    """The closed ring of a Polygon, Cutout or Polyline node, arcs flattened, shape (n, 2)."""
    points = node.points if node.points is not None else array("d")
    flat = np.frombuffer(points, dtype=np.float64).reshape(-1, 2) if len(points) else np.empty((0, 2))
    if node.curves:
        flat = _with_arcs(flat, node)
    if len(flat) and (flat[0] != flat[-1]).any():
        flat = np.concatenate([flat, flat[:1]])
    return np.array(flat)


def _with_arcs(flat: Coords, node: Node) -> Coords:
    pieces, done = [], 0
    for index, xc, yc, clockwise in node.curves:
        if index == 0:
            continue  # a curve needs a point before it; PolyBegin is missing
        pieces.append(flat[done:index])
        (x0, y0), (x1, y1) = flat[index - 1], flat[index]
        pieces.append(arc_points(x0, y0, x1, y1, xc, yc, -1 if clockwise else 1)[1:-1])
        done = index
    pieces.append(flat[done:])
    return np.concatenate(pieces)


def path_of(node: Node) -> LineString:
    """A Polyline's centre line, arcs flattened. Raises NoShape for fewer than two points."""
    points = node.points if node.points is not None else array("d")
    flat = np.frombuffer(points, dtype=np.float64).reshape(-1, 2) if len(points) else np.empty((0, 2))
    if len(flat) < 2:
        raise NoShape(f"{node.tag} with fewer than two points")
    return LineString(_with_arcs(flat, node) if node.curves else flat)


def contour(node: Node) -> Polygon:
    """A Contour (Polygon and Cutouts) or a bare Polygon. Raises NoShape for one without area."""
    outer = node if node.tag == "Polygon" else node.find("Polygon")
    ring = ring_of(outer) if outer is not None else np.empty((0, 2))
    if len(ring) < 4:
        raise NoShape(f"{node.tag} with fewer than three corners")
    holes = [ring_of(cutout) for cutout in node.all("Cutout")]
    return Polygon(ring, [hole for hole in holes if len(hole) > 3])


def _corner_flags(node: Node) -> tuple[bool, bool, bool, bool]:
    """Which corners are cut; all when the element names none."""
    names = ("lowerLeft", "lowerRight", "upperRight", "upperLeft")
    if not any(name in node.attrib for name in names):
        return (True, True, True, True)
    return tuple(flag(node, name) for name in names)  # type: ignore[return-value]


def standard(node: Node, unit: Unit) -> Geometry:
    """The shape of a standard primitive element. Raises NoShape for a kind that is not understood or has no area."""
    shape = _standard(node, unit)
    if shape.is_empty or shape.area <= 0:
        raise NoShape(f"{node.tag} without area")
    return shape


def _standard(node: Node, unit: Unit) -> Geometry:
    match node.tag:
        case "Circle":
            return circle(size(node, "diameter", unit))
        case "RectCenter":
            return rectangle(size(node, "width", unit), size(node, "height", unit))
        case "RectCorner":
            ends = [f"{end}{axis}" for end in ("lowerLeft", "upperRight") for axis in "XY"]
            return shapely.box(*(length(node, end, unit) for end in ends), ccw=True)
        case "RectRound" | "RectCham":
            name = "radius" if node.tag == "RectRound" else "chamfer"
            cut = size(node, name, unit)
            width, height = size(node, "width", unit), size(node, "height", unit)
            return cornered(width, height, cut, _corner_flags(node), round_=node.tag == "RectRound")
        case "Oval":
            return oval(size(node, "width", unit), size(node, "height", unit))
        case "Ellipse":
            width, height = size(node, "width", unit), size(node, "height", unit)
            return shapely.transform(circle(max(width, height)), lambda xy: xy * [width, height] / max(width, height))
        case "Diamond":
            x, y = size(node, "width", unit) / 2, size(node, "height", unit) / 2
            return Polygon([(x, 0), (0, y), (-x, 0), (0, -y)])
        case "Hexagon":
            return Polygon(corners(6, size(node, "length", unit) / 2))
        case "Octagon":
            return Polygon(corners(8, size(node, "length", unit) / 2, np.pi / 8))
        case "Triangle":
            x, y = size(node, "base", unit) / 2, size(node, "height", unit) / 2
            return Polygon([(-x, -y), (x, -y), (0, y)])
        case "Donut" | "Thermal":
            return _ring_shape(node, unit)
        case "Contour" | "Polygon":
            return contour(node)
    raise NoShape(node.tag)


def _ring_shape(node: Node, unit: Unit) -> Geometry:
    """Donut, or Thermal: a ring cut through by its spokes."""
    outer, inner = size(node, "outerDiameter", unit), size(node, "innerDiameter", unit)
    kind = node.attrib.get("shape", "ROUND").upper()
    makers: dict[str, Callable[[float], Polygon]] = {
        "ROUND": circle,
        "SQUARE": lambda d: rectangle(d, d),
        "HEXAGON": lambda d: Polygon(corners(6, d / 2)),
        "OCTAGON": lambda d: Polygon(corners(8, d / 2, np.pi / 8)),
    }
    if kind not in makers or not outer > inner:
        raise NoShape(f"{node.tag} of shape {kind} with outer {outer:g} and inner {inner:g} m")
    ring = makers[kind](outer).difference(makers[kind](inner)) if inner > 0 else makers[kind](outer)
    if node.tag == "Donut":
        return ring
    count, width = int(number(node, "spokeCount", 4)), size(node, "spokeWidth", unit, 0.0)
    if not 0 <= count <= 36:
        raise BadValue(node.line, node.tag, f"{count} spokes", "0 to 36")
    first = angle(node, "spokeStartAngle")
    tips = corners(count, outer, first) if count else np.empty((0, 2))
    spokes = [LineString([(0, 0), tip]).buffer(width / 2, cap_style="flat") for tip in tips]
    return shapely.difference(ring, shapely.union_all(spokes))
