"""Pours: copper that fills an outline and keeps clear of everything that is not its own net. Lengths in metres."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import chain
from typing import Any

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon

from quietcopper.board import Pads, Traces, Vias
from quietcopper.board.model import Bools, Floats, Ints, Shapes
from quietcopper.build.drawing import PAD_SEGMENTS, polygons

ARC_HALF = np.pi / (4 * PAD_SEGMENTS)  # half the angle of one chord of a round corner


@dataclass(frozen=True)
class Thermal:
    """Relief round own-net pads of parts: a gap bridged by four spokes, m."""

    gap: float
    spoke: float


@dataclass(frozen=True)
class Pour:
    """What was asked for. Of two pours of different nets that overlap, the one declared first keeps the place.

    clearance : to foreign copper, holes and foreign pours; edge : to the board's edge; None: not cut there
    min_width : narrower parts are dropped; cut : shapes left free of copper (splits, moats)
    """

    net: int
    layer: int
    shape: Polygon
    clearance: float
    edge: float | None = None
    min_width: float = 0.0
    thermal: Thermal | None = None
    keep_islands: bool = False
    cut: tuple[Polygon, ...] = ()


@dataclass(frozen=True)
class Stitch:
    """Through vias wished for on a grid inside a shape. Which of them fit is known when all else is drawn."""

    net: int
    shape: Polygon
    pitch: float
    drill: float
    pad: float
    clearance: float


@dataclass(frozen=True)
class Obstacles:
    """Copper and holes on one layer. Net 0 (open pins, unplated holes, copper without net) is foreign to every net.

    is_pad : pad of a part's pin; is_hole : drilled
    """

    shape: Shapes
    net: Ints
    is_pad: Bools
    is_hole: Bools
    tree: shapely.STRtree = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "tree", shapely.STRtree(self.shape))

    def near(self, shape: shapely.Geometry, distance: float) -> Ints:
        """Indices of what lies within the distance of the shape, ascending."""
        return np.sort(self.tree.query(shape, predicate="dwithin", distance=distance)).astype(np.int32)


def obstacles(
    traces: Traces, vias: Vias, pads: Pads, areas: Sequence[tuple[int, int, Polygon]], layer: int
) -> Obstacles:
    """All that a pour on the layer must know: traces, pads, holes, copper areas."""
    on, padded = traces.layer == layer, pads.layer == layer
    drilled = (vias.first <= layer) & (layer <= vias.last)
    ends = np.stack([np.stack([vias.x, vias.y], -1), np.stack([vias.x1, vias.y1], -1)], axis=1)[drilled]
    holes = grow(shapely.linestrings(ends), vias.drill[drilled] / 2)
    flat = [(shape, net) for net, at, shape in areas if at == layer]
    shapes = [*traces.shapes[on], *pads.shape[padded], *holes, *(shape for shape, _ in flat)]
    hole_net = np.where(vias.plated[drilled], vias.net[drilled], 0)
    nets = [*traces.net[on], *pads.net[padded], *hole_net, *(net for _, net in flat)]
    is_pad = np.zeros(len(shapes), dtype=bool)
    is_pad[on.sum() : on.sum() + padded.sum()] = pads.pin[padded] >= 0
    is_hole = np.zeros(len(shapes), dtype=bool)
    is_hole[on.sum() + padded.sum() : len(shapes) - len(flat)] = True
    column = np.empty(len(shapes), dtype=object)
    column[:] = shapes
    return Obstacles(column, np.array(nets, dtype=np.int32), is_pad, is_hole)


def grow(shape: Any, distance: float | Floats) -> Any:
    """The shape or shapes grown by a clearance (shrunk when negative), round at corners, nowhere by less than that."""
    # chords inside a round corner fall short by their sag; growing by 1/cos of half a chord's angle does not
    return shapely.buffer(shape, distance / np.cos(ARC_HALF), quad_segs=PAD_SEGMENTS)


def spokes(pads: Sequence[Polygon], relief: Thermal) -> list[Polygon]:
    """A cross over each pad, reaching past the relief's gap on all four sides."""
    out = []
    for pad in pads:
        x0, y0, x1, y1 = pad.bounds
        x, y, half, reach = (x0 + x1) / 2, (y0 + y1) / 2, relief.spoke / 2, 1.5 * relief.gap
        out.append(shapely.box(x0 - reach, y - half, x1 + reach, y + half))
        out.append(shapely.box(x - half, y0 - reach, x + half, y1 + reach))
    return out


def pour_copper(
    pours: Sequence[Pour], layers: Sequence[Obstacles], outline: Polygon | MultiPolygon
) -> list[tuple[int, int, Polygon]]:
    """The copper of all pours as (net, layer, polygon), touching pieces of one net and layer merged.

    layers : what lies on each layer
    """
    done: dict[tuple[int, int], list[Polygon]] = {}
    for pour in pours:
        there = layers[pour.layer]
        taken = [shapes for (layer, net), shapes in done.items() if layer == pour.layer and net != pour.net]
        copper = _fill(pour, there, list(chain.from_iterable(taken)), outline)
        pieces = polygons(copper)
        if not pour.keep_islands:
            own = there.tree.query(pieces, predicate="intersects")
            held = np.unique(own[0][~_foreign(there, own[1], pour.net)])
            pieces = [pieces[i] for i in held]
        done.setdefault((pour.layer, pour.net), []).extend(pieces)
    out = []
    for (layer, net), shapes in sorted(done.items(), key=lambda item: item[0]):
        out += [(net, layer, piece) for piece in polygons(shapely.union_all(shapes))]
    return out


def _fill(pour: Pour, there: Obstacles, taken: Sequence[Polygon], outline: Polygon | MultiPolygon) -> shapely.Geometry:
    near = there.near(pour.shape, pour.clearance)
    foreign = near[_foreign(there, near, pour.net)]
    blocked = list(grow(there.shape[foreign], pour.clearance))
    if taken:
        blocked += list(grow(np.array(taken, dtype=object), pour.clearance))
    blocked += pour.cut
    if pour.thermal is not None:
        own = near[~_foreign(there, near, pour.net) & there.is_pad[near]]
        pads = list(there.shape[own])
        if pads:
            grown = shapely.union_all(grow(there.shape[own], pour.thermal.gap))
            blocked.append(shapely.difference(grown, shapely.union_all([*pads, *spokes(pads, pour.thermal)])))
    shape: shapely.Geometry = pour.shape
    if pour.edge is not None:
        shape = shape.intersection(outline.buffer(-pour.edge, quad_segs=PAD_SEGMENTS))
    copper = shapely.difference(shape, shapely.union_all(blocked))
    if pour.min_width > 0:
        # opening: what a round tool of that diameter can draw, so outer corners come out round
        copper = grow(grow(copper, -pour.min_width / 2), pour.min_width / 2 * np.cos(ARC_HALF))
    return copper


def _foreign(there: Obstacles, rows: Ints, net: int) -> Bools:
    return (there.net[rows] != net) | (there.net[rows] == 0)


def grid_places(
    wish: Stitch, layers: Sequence[Obstacles], outline: Polygon | MultiPolygon
) -> list[tuple[float, float]]:
    """Grid points inside the shape where a via clears foreign copper, all pads, all holes and the board's edge."""
    x0, y0, x1, y1 = wish.shape.bounds
    columns, rows = (max(1, round((high - low) / wish.pitch)) for low, high in ((x0, x1), (y0, y1)))
    x, y = np.meshgrid(
        (x0 + x1) / 2 + wish.pitch * (np.arange(columns) - (columns - 1) / 2),
        (y0 + y1) / 2 + wish.pitch * (np.arange(rows) - (rows - 1) / 2),
    )
    points = shapely.points(x.ravel(), y.ravel())
    reach = wish.pad / 2 + wish.clearance
    fits = shapely.contains(wish.shape, points) & shapely.contains(outline.buffer(-reach), points)
    for there in layers:
        point, thing = there.tree.query(points, predicate="dwithin", distance=reach)
        blocking = _foreign(there, thing, wish.net) | there.is_pad[thing] | there.is_hole[thing]
        fits[point[blocking]] = False
    return [(p.x, p.y) for p in points[fits]]
