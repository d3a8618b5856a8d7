"""The board as SVG: copper by layer merged into few paths, references under it, the places marked.

Drawing units are micrometres with y turned downward, whole numbers; a board of 100,000 shapes stays a few megabytes.
Nothing here carries a colour: every element has a class and the page's style sheet decides.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import chain
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from quietcopper.findings.model import Drawing, DrawnLayer, discs
from quietcopper.report.safe import Markup

Floats = NDArray[np.float64]
UNITS_PER_MM = 1000
SAG_MM = 0.004  # polygon points closer than this to their chord are left out of a drawing
NO_ROOM = 1e-9


def units(points: Any) -> NDArray[np.int64]:
    """Millimetre points (n, 2) as drawing units, y downward."""
    return np.rint(np.asarray(points, dtype=np.float64)[:, :2] * (UNITS_PER_MM, -UNITS_PER_MM)).astype(np.int64)


def path(lines: Iterable[Any], *, closed: bool = False) -> str:
    """Path data through each run of mm points; an open run that begins where the last one ended continues it."""
    runs = [np.asarray(run, dtype=np.float64)[:, :2] for run in lines if len(run)]
    if not runs:
        return ""
    return "".join(subpaths(np.concatenate(runs), [len(run) for run in runs], closed=closed))


def ring_path(polygons: NDArray[np.object_]) -> str:
    """Path data of the rings of polygons that are not empty, shape (n,)."""
    rings = shapely.get_rings(polygons)
    if not len(rings):
        return ""
    return "".join(subpaths(shapely.get_coordinates(rings), shapely.get_num_coordinates(rings), closed=True))


def subpaths(
    places: Floats,
    lengths: Sequence[int] | NDArray[np.int32],
    *,
    closed: bool = False,
    apart: frozenset[int] = frozenset(),
) -> list[str]:
    """Path data of runs of these lengths (1 and more) through mm points (n, 2). Each begins with M, but where it
    continues the one before. apart : runs that continue none"""
    points = units(places)
    ends = np.cumsum(lengths)
    begins = np.concatenate([[0], ends[:-1]])
    step = np.diff(points, axis=0, prepend=points[:1])
    moves = (step[:, 0] != 0) | (step[:, 1] != 0)
    moves[begins] = False  # a run's first point is no step
    numbers = list(map(str, step[moves].ravel().tolist()))
    steps_before = 2 * np.cumsum(moves)
    corners = zip(
        points[begins].tolist(), points[ends - 1].tolist(), steps_before[ends - 1].tolist(), strict=True
    )  # fmt: skip
    out: list[str] = []
    last: list[int] | None = None
    done = 0
    for run, (first, final, until) in enumerate(corners):
        back = 2 if closed and until > done and final == first else 0
        # a zero-length line still shows its round ends
        lead = "l" if first == last and not closed and run not in apart else f"M{first[0]} {first[1]}l"
        out.append(f"{lead}{' '.join(numbers[done : until - back]) or '0 0'}{'z' if closed else ''}")
        last, done = final, until
    return out


def chart(width: float, height: float, label: str, items: Sequence[Markup], css: str = "") -> Markup:
    """A small drawing of its natural size in pixels, with a label for those who cannot see it."""
    return Markup(
        '<svg class="chart{css}" viewBox="0 0 {w:.0f} {h:.0f}" width="{w:.0f}" height="{h:.0f}" role="img"'
        ' aria-label="{label}">{body}</svg>'
    ).format(css=f" {css}" if css else "", w=width, h=height, label=label, body=Markup("").join(items))


def dots(centres: Floats, diameters: Floats, css: str) -> list[Markup]:
    """Round spots as zero-length strokes, one path for each diameter."""
    groups: dict[int, list[str]] = defaultdict(list)
    for (x, y), d in zip(units(centres).tolist() if len(centres) else [], diameters, strict=True):
        groups[round(float(d) * UNITS_PER_MM)].append(f"M{x} {y}h0")
    return [
        Markup('<path class="{} dot" stroke-width="{}" d="{}"/>').format(css, width, "".join(marks))
        for width, marks in sorted(groups.items())
    ]


def polygons(rings: Sequence[Sequence[Floats]]) -> NDArray[np.object_]:
    """Shapely polygons of drawn areas or pads, shape (n,), empty for those whose outline is no ring."""
    flat = [(i, ring) for i, (outer, *holes) in enumerate(rings) if len(outer) >= 3 for ring in (outer, *holes)]
    flat = [(i, ring) for i, ring in flat if len(ring) >= 3]
    out = np.full(len(rings), shapely.Polygon(), dtype=object)
    if flat:
        which = np.repeat(np.arange(len(flat)), [len(ring) for _, ring in flat])
        closed = shapely.linearrings(np.concatenate([ring for _, ring in flat]), indices=which)
        shapely.polygons(closed, indices=np.array([i for i, _ in flat]), out=out)
    return out


def shape_paths(shapes: Any, sag_mm: float = SAG_MM) -> str:
    """Path data of polygons and multipolygons, holes included, thinned to `sag_mm`."""
    parts = shapely.get_parts(shapely.simplify(np.asarray(shapes, dtype=object), sag_mm, preserve_topology=False))
    parts = parts[(shapely.get_type_id(parts) == 3) & ~shapely.is_empty(parts)]
    return ring_path(parts)


@dataclass(frozen=True)
class Box:
    """A window on the board, mm, y up."""

    x0: float
    y0: float
    x1: float
    y1: float

    @property
    def width(self) -> float:
        return self.x1 - self.x0

    @property
    def height(self) -> float:
        return self.y1 - self.y0

    @property
    def view(self) -> str:
        """The viewBox of this window."""
        scale = UNITS_PER_MM
        corner = (round(self.x0 * scale), round(-self.y1 * scale))
        return f"{corner[0]} {corner[1]} {round(self.width * scale)} {round(self.height * scale)}"

    def grown(self, by: float) -> Box:
        return Box(self.x0 - by, self.y0 - by, self.x1 + by, self.y1 + by)

    def at_least(self, width: float, height: float) -> Box:
        """The window widened about its middle to that size."""
        dx, dy = max(0.0, width - self.width) / 2, max(0.0, height - self.height) / 2
        return Box(self.x0 - dx, self.y0 - dy, self.x1 + dx, self.y1 + dy)

    def kept_on(self, ground: Box) -> Box:
        """Moved so that it does not look past the ground where it need not; centred on it where it is larger."""

        def moved(low: float, high: float, first: float, last: float) -> float:
            if high - low >= last - first:
                return (first + last - low - high) / 2
            return max(first - low, 0.0) + min(last - high, 0.0)

        dx = moved(self.x0, self.x1, ground.x0, ground.x1)
        dy = moved(self.y0, self.y1, ground.y0, ground.y1)
        return Box(self.x0 + dx, self.y0 + dy, self.x1 + dx, self.y1 + dy)

    def shaped(self, aspect: float) -> Box:
        """Widened to width / height = aspect."""
        return self.at_least(self.height * aspect, self.width / aspect)


def scale_bar_mm(width_mm: float) -> float:
    """A round length (1, 2 or 5 times a power of ten) about a fifth of the width."""
    target = max(width_mm / 5, 1e-3)
    power = 10 ** math.floor(math.log10(target))
    return float(power * max(f for f in (1, 2, 5) if f * power <= target * (1 + NO_ROOM)))


@dataclass(frozen=True)
class LayerShapes:
    """One layer with its objects as shapely geometries (mm) and indexes over them."""

    layer: DrawnLayer

    @cached_property
    def areas(self) -> NDArray[np.object_]:
        return polygons(self.layer.areas)

    @cached_property
    def pads(self) -> NDArray[np.object_]:
        return polygons(self.layer.pads)

    @cached_property
    def round_pads(self) -> tuple[NDArray[np.bool_], Floats, Floats]:
        """Which pads are discs, the centres (n, 2) and diameters (n,) of all."""
        if not len(self.pads):
            return np.zeros(0, bool), np.zeros((0, 2)), np.zeros(0)
        area = shapely.area(self.pads)
        disc = discs(self.pads) & np.array([len(rings) == 1 for rings in self.layer.pads])
        centre = shapely.centroid(self.pads)
        return disc, np.stack([shapely.get_x(centre), shapely.get_y(centre)], -1), 2 * np.sqrt(area / np.pi)

    @cached_property
    def bounds(self) -> tuple[Floats, Floats, Floats]:
        """Bounding boxes (n, 4) of areas, traces (with their width) and pads; nan for empty ones."""
        lengths = [len(trace) for trace in self.layer.traces]
        traces = np.zeros((0, 4))
        if lengths:
            points, first = np.concatenate(self.layer.traces), np.cumsum([0, *lengths[:-1]])
            traces = np.concatenate([np.minimum.reduceat(points, first), np.maximum.reduceat(points, first)], axis=1)
        half = np.array(self.layer.trace_widths).reshape(-1, 1) / 2
        return (
            shapely.bounds(self.areas).reshape(-1, 4),
            traces + half * (-1, -1, 1, 1),
            shapely.bounds(self.pads).reshape(-1, 4),
        )

    def copper(self, traces: NDArray[np.intp], pads: NDArray[np.intp], css: str = "") -> Markup:
        """The traces (by width) and pads in these rows, each element with an added class."""
        layer = self.layer
        by_width: dict[int, list[Floats]] = defaultdict(list)
        for i in traces.tolist():
            by_width[round(layer.trace_widths[i] * UNITS_PER_MM)].append(layer.traces[i])
        out = [
            Markup('<path class="trace{}" stroke-width="{}" d="{}"/>').format(css, width, path(lines))
            for width, lines in sorted(by_width.items())
        ]
        disc, centre, diameter = self.round_pads
        odd, even = pads[~disc[pads]], pads[disc[pads]]
        if len(odd):
            out.append(Markup('<path class="pad{}" d="{}"/>').format(css, shape_paths(self.pads[odd])))
        return Markup("").join(out + dots(centre[even], diameter[even], f"pad{css}"))

    @cached_property
    def everything(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """All rows of traces and of pads."""
        return np.arange(len(self.layer.traces)), np.arange(len(self.layer.pads))

    @cached_property
    def _nets(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        return np.asarray(self.layer.trace_nets, dtype=np.int64), np.asarray(self.layer.pad_nets, dtype=np.int64)

    def rows_of_net(self, net: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Rows of traces and of pads of one net."""
        traces, pads = self._nets
        return np.flatnonzero(traces == net), np.flatnonzero(pads == net)


class BoardShapes:
    """A drawing prepared for several pictures."""

    def __init__(self, drawing: Drawing) -> None:
        self.drawing = drawing
        self.layers = [LayerShapes(layer) for layer in drawing.layers]
        self.net_index = {name: i for i, name in reversed(list(enumerate(drawing.nets))) if name}
        self.layer_index = {layer.name: i for i, layer in reversed(list(enumerate(drawing.layers)))}

    @cached_property
    def box(self) -> Box:
        """The whole board: its outline, or where there is none everything drawn."""
        rings = [ring for rings in self.drawing.outline for ring in rings]
        if not rings:
            boxes = np.concatenate([b for shapes in self.layers for b in shapes.bounds] or [np.zeros((0, 4))])
            boxes = boxes[np.isfinite(boxes).all(axis=1)]
            if not len(boxes):
                return Box(0.0, 0.0, 1.0, 1.0)
            low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        else:
            points = np.concatenate(rings)
            low, high = points.min(axis=0), points.max(axis=0)
        return Box(float(low[0]), float(low[1]), float(high[0]), float(high[1])).at_least(1e-3, 1e-3)

    @cached_property
    def outline_polygons(self) -> NDArray[np.object_]:
        return polygons(self.drawing.outline)

    @cached_property
    def outline(self) -> str:
        return path((ring for rings in self.drawing.outline for ring in rings), closed=True)

    @cached_property
    def size(self) -> int:
        """Number of drawn objects."""
        return sum(len(s.layer.areas) + len(s.layer.traces) + len(s.layer.pads) for s in self.layers)

    @cached_property
    def part_places(self) -> dict[str, tuple[float, float, int]]:
        return {ref: (x, y, side) for ref, x, y, side in reversed(self.drawing.parts)}

    def reference_of(self, layer: int, stackup: Mapping[str, Any]) -> int | None:
        """The layer drawn under a layer: its reference by the stackup table, else the fuller neighbour, else None."""
        rows = stackup.get("layers", [])
        if layer < len(rows) and rows[layer]["reference"]:
            return self.layer_index.get(rows[layer]["reference"]["layer"])
        near = [i for i in (layer - 1, layer + 1) if 0 <= i < len(self.layers) and self.layers[i].layer.areas]
        return max(near, key=lambda i: float(shapely.area(self.layers[i].areas).sum()), default=None)


def geometry_paths(shape: Mapping[str, Any] | None) -> tuple[str, str]:
    """Path data of a document's shape (mm): of its surfaces, of its lines. Points give none; their ring marks them."""
    if shape is None:
        return "", ""
    kind = shape["type"]
    if kind == "GeometryCollection":
        parts = [geometry_paths(part) for part in shape["geometries"]]
        return "".join(surface for surface, _ in parts), "".join(line for _, line in parts)
    coordinates = shape["coordinates"]
    if kind in {"LineString", "LinearRing"}:
        return "", path([coordinates])
    if kind == "MultiLineString":
        return "", path(coordinates)
    if kind == "Polygon":
        return path(coordinates, closed=True), ""
    if kind == "MultiPolygon":
        return path((ring for rings in coordinates for ring in rings), closed=True), ""
    return "", ""


def geometry_box(shape: Mapping[str, Any] | None, at: Sequence[float]) -> Box:
    """Window around a finding's shape and point."""
    x, y = zip(at[:2], *_rim(shape), strict=False)
    return Box(float(min(x)), float(min(y)), float(max(x)), float(max(y)))


def _rim(shape: Mapping[str, Any] | None) -> list[Sequence[float]]:
    """Points of a document's shape, of its surfaces those of the outer rims."""
    if shape is None:
        return []
    kind = shape["type"]
    if kind == "GeometryCollection":
        return [point for part in shape["geometries"] for point in _rim(part)]
    coordinates = shape["coordinates"]
    if kind == "Point":
        return [coordinates]
    if kind == "Polygon":
        return list(chain.from_iterable(coordinates[:1]))
    if kind == "MultiPolygon":
        return [point for rings in coordinates for point in chain.from_iterable(rings[:1])]
    return list(chain.from_iterable(coordinates)) if kind == "MultiLineString" else coordinates


def joined(boxes: Sequence[Box]) -> Box:
    """The window around several."""
    return Box(min(b.x0 for b in boxes), min(b.y0 for b in boxes), max(b.x1 for b in boxes), max(b.y1 for b in boxes))
