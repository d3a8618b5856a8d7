"""One copper layer: from the objects of its file, in painting order, to traces, pads and areas.

- What is drawn clear is cut out of everything drawn before it.
- A flash is a pad. So is a region or a stroke that a pin (TO.P) or an aperture function of a pad claims; in a file
  without functions also a small region, or small painted form, that is its own hull, and a short stroke round a hole.
- A stroke with a round aperture is a trace, unless it only paints an area (see `paint`) or is cut.
- Everything else is area: regions with their edges, hatching, strokes with other apertures. Areas of one net that
  touch are united.
- A negative layer is the board's outline without what is drawn: areas only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely import Geometry, STRtree

from quietcopper.board.model import ARC_SAG, Bools, Floats, Ints, Shapes
from quietcopper.formats.gerber.contours import areas_only
from quietcopper.formats.gerber.graphics import FLASH, LINE, REGION, Fields, GerberImage
from quietcopper.formats.gerber.shapes import centre_lines, copper, shapes
from quietcopper.formats.gerber_set import paint

SMALL_PAD = 25e-6  # m²; a region without function that is larger is no pad
LONGEST_PAD = 3.0  # of its width: the distance between the ends of a stroke that may be a pad
AT_HOLE = 15e-6  # m; drill files round to 2.5 µm and more
OWN_HULL = 0.99  # of its hull's area; what fills less is no pad
PAINTED_HULL = 0.95  # the same for a painted one, whose border is scalloped
PADS_OF_PARTS = ("componentpad", "smdpad", "bgapad", "connectorpad", "heatsinkpad", "testpad", "castellatedpad",
                 "fiducialpad", "washerpad", "thermalreliefpad")  # fmt: skip
SURFACE = ("smdpad", "bgapad", "heatsinkpad")  # functions of pads that no hole belongs to
NO_NET = ("", "N/C")  # names that say 'tied to nothing'
NO_CONDUCTOR = ("nonconductor", "nonmaterial", "other")  # drawings made of copper

Indices = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Strokes:
    """Traces of one layer, as in board.Traces; net : index into GerberImage.nets; idle : said to be no conductor, or
    tied to no net."""

    net: Ints
    x0: Floats
    y0: Floats
    x1: Floats
    y1: Floats
    xc: Floats
    yc: Floats
    turn: Ints
    width: Floats
    idle: Bools


@dataclass(frozen=True, eq=False)
class Flashes:
    """Pads of one layer; net, pin : indices into the image's tuples; surface : belongs to no hole by its function;
    via : belongs to a hole by its function; idle : said to be tied to no net"""

    net: Ints
    x: Floats
    y: Floats
    shape: Shapes
    pin: Ints
    surface: Bools
    via: Bools
    idle: Bools


@dataclass(frozen=True, eq=False)
class Filled:
    """Areas of one layer, one connected polygon each; idle : as in Strokes."""

    net: Ints
    shape: Shapes
    idle: Bools


@dataclass(frozen=True, eq=False)
class LayerCopper:
    """What one layer holds; nets, pins : the image's tuples that the indices mean. cut : objects cut by clear ones."""

    strokes: Strokes
    flashes: Flashes
    filled: Filled
    nets: tuple[str, ...]
    pins: tuple[Fields, ...]
    cut: int = 0
    painted: int = 0
    twice: int = 0


def layer_copper(
    image: GerberImage, negative: bool, outline: Geometry | None, holes: NDArray[np.float64] | None = None
) -> LayerCopper:
    """Copper of one layer file.

    outline : what a negative layer is cut from; the box of its objects where None
    holes : middle and diameter of the set's holes, m, shape (n, 3): a short stroke round one is its pad
    """
    if negative != image.inverted or image.inverted:
        return _reversed(image, negative, outline)
    o = image.objects
    shape = shapes(image)
    shape, was_cut = _without_cleared(shape, o.dark)
    alive = np.flatnonzero(o.dark & (shapely.area(shape) > 0))
    function = np.array([f[0].lower() if f else "" for f in image.functions], dtype=object)[image.function]
    idle = _idle(image, function)
    pad = _pads(image, function, shape, alive)
    if holes is not None and not image.function.any():
        pad |= _pads_by_stroke(image, holes) & ~was_cut
    straight = image.lines & ~was_cut & ~pad & o.dark & (o.width > 0)
    owner = _edges(image, straight & (o.kind == LINE))
    straight &= owner < 0
    hatched = np.zeros(len(o), dtype=np.bool_)
    candidates = np.flatnonzero(straight & (o.kind == LINE))
    hatched[candidates] = paint.hatching(_ends(image, candidates), o.width[candidates], image.net[candidates])
    painted, stubs = _hatched_areas(image, shape, straight, hatched)
    # pads may be painted as well; where functions are stated, those of pads are pads already
    is_pad = [not image.function.any() and _pad_form(part, PAINTED_HULL) for _, _, part in painted]
    forms = [(net, part) for (net, _, part), yes in zip(painted, is_pad, strict=True) if yes]
    areas = [area for area, yes in zip(painted, is_pad, strict=True) if not yes]
    trace = straight & ~hatched & ~stubs & (shapely.area(shape) > 0)
    rest = np.intersect1d(alive, np.flatnonzero(~trace & ~pad & ~hatched & ~stubs & (owner < 0)))
    shape = _with_edges(image, shape, owner, was_cut)
    areas += [(int(image.net[row]), bool(idle[row]), shape[row]) for row in rest]
    strokes, twice = _strokes(image, np.flatnonzero(trace), idle)
    return LayerCopper(
        strokes,
        _flashes(image, np.intersect1d(alive, np.flatnonzero(pad)), shape, function, idle, forms),
        _united(areas),
        image.nets,
        image.pins,
        int(was_cut.sum()),
        int((hatched | stubs | (owner >= 0)).sum()),
        twice,
    )


def _reversed(image: GerberImage, negative: bool, outline: Geometry | None) -> LayerCopper:
    """Copper where nothing is drawn; whose it is, holes must tell."""
    drawn = copper(image, outline)  # an inverted image's own sense included
    if negative:
        frame = outline if outline is not None else shapely.box(*drawn.bounds)
        drawn = shapely.difference(frame, drawn)
    parts = [p for p in shapely.get_parts(drawn) if p.geom_type == "Polygon" and p.area > 0]
    none = np.empty(0)
    shape = np.empty(len(parts), dtype=object)
    shape[:] = parts
    no = np.empty(0, dtype=np.bool_)
    whole = none.astype(np.int32)
    return LayerCopper(
        Strokes(whole, none, none, none, none, none, none, whole, none, no),
        Flashes(whole, none, none, np.empty(0, dtype=object), whole, no, no, no),
        Filled(np.zeros(len(parts), dtype=np.int32), shape, np.zeros(len(parts), dtype=np.bool_)),
        ("",),
        ((),),
    )


def _idle(image: GerberImage, function: NDArray[np.object_]) -> Bools:
    """Objects that the file itself ties to no net: an empty name or 'not connected', or a drawing made of copper."""
    names = [s.on_object.get(".N") for s in image.attribute_sets]
    free = np.array([n is not None and (not n or n[0].strip().upper() in NO_NET) for n in names], dtype=np.bool_)
    return np.asarray(free[image.objects.attributes] | np.isin(function, NO_CONDUCTOR))


def _ends(image: GerberImage, rows: Indices) -> Floats:
    o = image.objects
    return np.stack([o.x0[rows], o.y0[rows], o.x1[rows], o.y1[rows]], axis=-1)


def _without_cleared(shape: Shapes, dark: Bools) -> tuple[Shapes, Bools]:
    """Every dark shape without what is drawn clear after it; and which were changed."""
    cut = np.zeros(len(shape), dtype=np.bool_)
    clear_rows = np.flatnonzero(~dark)
    if not len(clear_rows):
        return shape, cut
    out = shape.copy()
    dark_rows = np.flatnonzero(dark)
    tree = STRtree(shape[clear_rows])
    upper, lower = tree.query(shape[dark_rows], predicate="intersects")
    upper, lower = dark_rows[upper], clear_rows[lower]
    later = lower > upper
    upper, lower = upper[later], lower[later]
    order = np.lexsort((lower, upper))
    upper, lower = upper[order], lower[order]
    for group in np.split(np.arange(len(upper)), np.flatnonzero(np.diff(upper)) + 1) if len(upper) else ():
        row = upper[group[0]]
        left = shapely.difference(shape[row], shapely.union_all(shape[lower[group]]))
        # a border that is merely touched comes back as it was
        if shapely.area(shape[row]) - shapely.area(left) > 1e-15:
            out[row], cut[row] = left, True
    return out, cut


def _pads(image: GerberImage, function: NDArray[np.object_], shape: Shapes, alive: Indices) -> Bools:
    o = image.objects
    named = np.isin(function, (*PADS_OF_PARTS, "viapad")) | (image.pin > 0)
    dot = image.lines & (o.kind == LINE) & (o.x0 == o.x1) & (o.y0 == o.y1)
    pad = (o.kind == FLASH) | named | dot
    # without functions a small region in the form of a pad is one: rounded rectangles are drawn so
    if not image.function.any():
        rows = alive[(o.kind[alive] == REGION) & ~pad[alive]]
        pad[rows] = [_pad_form(form, OWN_HULL) for form in shape[rows]]
    return pad & o.dark


def _pads_by_stroke(image: GerberImage, holes: NDArray[np.float64]) -> Bools:
    """Short straight strokes with a hole at their middle: oblong pads, in files that say nothing of it."""
    o = image.objects
    out = np.zeros(len(o), dtype=np.bool_)
    length = np.hypot(o.x1 - o.x0, o.y1 - o.y0)
    rows = np.flatnonzero(image.lines & o.dark & (o.kind == LINE) & (length <= LONGEST_PAD * o.width))
    if not len(rows) or not len(holes):
        return out
    middle = np.stack([o.x0[rows] + o.x1[rows], o.y0[rows] + o.y1[rows]], axis=-1) / 2
    answer = cKDTree(holes[:, :2]).query(middle, distance_upper_bound=AT_HOLE)
    distance, at = (np.asarray(column) for column in answer)
    hit = np.flatnonzero(np.isfinite(distance))
    out[rows[hit]] = o.width[rows[hit]] > holes[at[hit], 2]
    return out


def _edges(image: GerberImage, candidate: Bools) -> NDArray[np.int64]:
    """Row of the region that each object is an edge of, -1 for none, shape (objects,)."""
    o = image.objects
    out = np.full(len(o), -1)
    rows, regions = np.flatnonzero(candidate), np.flatnonzero((o.kind == REGION) & o.dark)
    if not len(rows) or not len(regions):
        return out
    contours = len(image.region_ends) - 1
    row_of, net_of = np.full(contours, -1), np.full(contours, -1)
    row_of[o.region[regions]] = regions
    net_of[o.region[regions]] = image.net[regions]
    contour = paint.edge_owner(image.region_points, image.region_ends, net_of, _ends(image, rows), image.net[rows])
    out[rows] = np.where(contour >= 0, row_of[contour], -1)
    return out


def _with_edges(image: GerberImage, shape: Shapes, owner: NDArray[np.int64], was_cut: Bools) -> Shapes:
    """Regions with the strokes along their edges."""
    edges = np.flatnonzero(owner >= 0)
    if not len(edges):
        return shape
    o = image.objects
    out = shape.copy()
    order = edges[np.argsort(owner[edges], kind="stable")]
    sides = np.diff(image.region_ends)
    for group in np.split(order, np.flatnonzero(np.diff(owner[order])) + 1):
        row = owner[group[0]]
        width = o.width[group]
        around = len(group) >= 0.9 * (sides[o.region[row]] - 1) and np.ptp(width) < paint.GRID
        if around and not was_cut[row]:
            out[row] = shapely.buffer(shape[row], width[0] / 2, quad_segs=_quarter(float(width[0])))
        else:
            out[row] = shapely.union_all(np.concatenate([[shape[row]], shape[group]]))
    return out


def _quarter(width: float) -> int:
    """Chords of a quarter circle, so that none is further than ARC_SAG from its arc."""
    step = 2 * np.arccos(max(1 - ARC_SAG / (width / 2), 0.5))
    return int(min(max(np.ceil(np.pi / 2 / step), 4), 64))


def _hatched_areas(
    image: GerberImage, shape: Shapes, straight: Bools, hatched: Bools
) -> tuple[list[tuple[int, bool, Geometry]], Bools]:
    """Areas that hatching makes, net by net, and the other strokes that lie in them."""
    stubs = np.zeros(len(hatched), dtype=np.bool_)
    out: list[tuple[int, bool, Geometry]] = []
    for net in np.unique(image.net[hatched]):
        rows = np.flatnonzero(hatched & (image.net == net))
        painted = shapely.union_all(shape[rows])
        near = np.flatnonzero(straight & ~hatched & (image.net == net))
        within = near[paint.inside(centre_lines(image, near), painted)]
        stubs[within] = True
        if len(within):
            painted = shapely.union_all(np.concatenate([[painted], shape[within]]))
        out += [(int(net), False, part) for part in shapely.get_parts(painted)]
    return out, stubs


def _strokes(image: GerberImage, rows: Indices, idle: Bools) -> tuple[Strokes, int]:
    """Traces, each once however often it is drawn; and how many were drawn again."""
    o = image.objects
    places = np.column_stack([_ends(image, rows), o.xc[rows], o.yc[rows], o.width[rows]])
    grid = np.round(np.nan_to_num(places) / paint.GRID).astype(np.int64)
    key = np.column_stack([grid, o.turn[rows], image.net[rows]])
    _, first = np.unique(key, axis=0, return_index=True)
    once = rows[np.sort(first)]
    strokes = Strokes(
        net=image.net[once],
        x0=o.x0[once],
        y0=o.y0[once],
        x1=o.x1[once],
        y1=o.y1[once],
        xc=o.xc[once],
        yc=o.yc[once],
        turn=o.turn[once].astype(np.int32),
        width=o.width[once],
        idle=idle[once],
    )
    return strokes, len(rows) - len(once)


def _pad_form(shape: Geometry, hull: float) -> bool:
    """Whether a shape is small and fills nearly all of its hull, as pads do."""
    return bool(shape.area < SMALL_PAD and shape.area > hull * shape.convex_hull.area)


def _flashes(
    image: GerberImage,
    rows: Indices,
    shape: Shapes,
    function: NDArray[np.object_],
    idle: Bools,
    painted: list[tuple[int, Geometry]],
) -> Flashes:
    o = image.objects
    x, y = o.x0[rows].copy(), o.y0[rows].copy()
    drawn = o.kind[rows] != FLASH
    middle = shapely.get_coordinates(shapely.centroid(shape[rows[drawn]]))
    x[drawn], y[drawn] = middle[:, 0], middle[:, 1]
    surface, via = np.isin(function[rows], SURFACE), function[rows] == "viapad"
    more = np.empty(len(painted), dtype=object)
    more[:] = [form for _, form in painted]
    places = shapely.get_coordinates(shapely.centroid(more))
    no = np.zeros(len(painted), dtype=np.bool_)
    return Flashes(
        np.concatenate([image.net[rows], np.array([net for net, _ in painted], dtype=np.int32)]),
        np.concatenate([x, places[:, 0]]),
        np.concatenate([y, places[:, 1]]),
        np.concatenate([shape[rows], more]),
        np.concatenate([_pin_of(image, rows, shape), no.astype(np.int32)]),
        np.concatenate([surface, no]),
        np.concatenate([via, no]),
        np.concatenate([idle[rows], no]),
    )


def _pin_of(image: GerberImage, rows: Indices, shape: Shapes) -> Ints:
    """Pin of each pad. A drawn pad with a flash of its net inside is that flash's: some writers draw a pad as a region,
    for which they forget the pin of the pad before, and flash its middle."""
    o, out = image.objects, image.pin[rows].copy()
    drawn, flashed = np.flatnonzero(o.kind[rows] != FLASH), np.flatnonzero((o.kind[rows] == FLASH) & (out > 0))
    if not len(drawn) or not len(flashed):
        return out
    x, y, net = o.x0[rows], o.y0[rows], image.net[rows]
    at, inside = STRtree(shape[rows[drawn]]).query(shapely.points(x[flashed], y[flashed]), predicate="within")
    at, inside = flashed[at], drawn[inside]
    mine = net[at] == net[inside]
    at, inside = at[mine], inside[mine]
    middle = shapely.get_coordinates(shapely.centroid(shape[rows[inside]]))
    away = np.hypot(x[at] - middle[:, 0], y[at] - middle[:, 1])
    nearest_last = np.lexsort((at, away))[::-1]
    out[inside[nearest_last]] = out[at[nearest_last]]
    return out


def _united(areas: list[tuple[int, bool, Geometry]]) -> Filled:
    """Areas of one net that touch, made one; each row one connected polygon."""
    nets, idle, out = list[int](), list[bool](), list[Geometry]()
    groups: dict[tuple[int, bool], list[Geometry]] = {}
    for net, free, shape in areas:
        groups.setdefault((net, free), []).append(shape)
    for (net, free), members in groups.items():
        whole = np.empty(len(members), dtype=object)
        whole[:] = members
        one, two = STRtree(whole).query(whole, predicate="intersects")
        size = len(whole)
        count, label = connected_components(
            coo_array((np.ones(len(one), dtype=np.int8), (one, two)), shape=(size, size)), directed=False
        )
        order = np.argsort(label, kind="stable")
        for group in np.split(order, np.searchsorted(label[order], np.arange(1, count))):
            shape = whole[group[0]] if len(group) == 1 else shapely.union_all(whole[group])
            if not shapely.is_valid(shape):  # an overlay may leave a hair's breadth of overlap behind
                shape = areas_only(shapely.make_valid(shape))
            parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > 0]
            nets += [net] * len(parts)
            idle += [free] * len(parts)
            out += parts
    shapes_ = np.empty(len(out), dtype=object)
    shapes_[:] = out
    return Filled(np.array(nets, dtype=np.int32), shapes_, np.array(idle, dtype=np.bool_))
