"""Copper that rings: pieces tied to nothing, and long thin parts of a pour tied at one end only."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components, dijkstra
from shapely import MultiPolygon, Polygon, STRtree
from shapely.geometry.base import BaseGeometry

from quietcopper.board import Board
from quietcopper.board.geometry import tiles
from quietcopper.board.model import Bools, Floats, Ints, Shapes, Table, column
from quietcopper.electrical.copper import AREA, BARREL, PAD, TRACE, Copper
from quietcopper.electrical.spines import Spine, held_both_ways, spine_of

SHORTEST = 5e-3  # m, of a finger
WIDTHS = (1.57e-3, 3.14e-3, 6.28e-3)  # m; what is narrower may be a finger of the body that is wider. Odd figures, so
# that no drawn width sits on the border
COARSER = 1.25  # a finger found at a coarser width scale holds when it is this many times as long
SLENDER = 3.0  # a finger is at least this many times as long as wide
STEP = 0.2e-3  # m between the points along the edges of copper: strips down to half of it are followed, lengths are
# right to half of it
SLACK = 1e-9  # m; lengths this close to a limit meet it, so that rounding cannot decide
NOTHING = 1e-12  # m; a length that counts for nothing and is not zero

Points = NDArray[np.float64]
Index = NDArray[np.integer[Any]]


@dataclass(frozen=True, eq=False)
class LoneCopper(Table):
    """Pieces of copper that no hole, pad or pin joins to any part. Pads alone (fiducial marks) are not listed.

    piece, group : rows in Copper; net : as in the file, 0 for none
    extent : distance between its two furthest points, m; for a piece of traces only, the length of its centre lines
    area : m2; x, y : a point in it; shape : its copper, polygon or multipolygon
    """

    piece: Ints = column(np.int32)
    group: Ints = column(np.int32)
    layer: Ints = column(np.int32)
    net: Ints = column(np.int32)
    extent: Floats = column(np.float64)
    area: Floats = column(np.float64)
    x: Floats = column(np.float64)
    y: Floats = column(np.float64)
    shape: Shapes = column(object)


@dataclass(frozen=True, eq=False)
class Fingers(Table):
    """Long thin parts of pours that are tied at one end only.

    area : row in board.areas; length : from the body or the last tie to the free end, along the finger, m
    width : mean along the length, m; free_x, free_y : a point in the copper at the free end, where a via
    would fit best; root_x, root_y : where it joins the body, or its last tie; shape : its copper
    """

    area: Ints = column(np.int32)
    layer: Ints = column(np.int32)
    net: Ints = column(np.int32)
    length: Floats = column(np.float64)
    width: Floats = column(np.float64)
    free_x: Floats = column(np.float64)
    free_y: Floats = column(np.float64)
    root_x: Floats = column(np.float64)
    root_y: Floats = column(np.float64)
    shape: Shapes = column(object)


def lone_copper(board: Board, copper: Copper) -> LoneCopper:
    """Pieces with areas or traces whose group reaches no part (`Copper.floating`), in the order of the pieces.

    Copper that lies outside the board's outline for the most part (marks on the frame of a panel) is not listed.
    Pieces that plated holes join only to each other are listed one by one; `group` says which belong together.
    """
    elements, piece_of = copper.elements, copper.piece_of_element
    drawn = np.zeros(len(copper.pieces), dtype=bool)
    drawn[piece_of[(elements.kind == TRACE) | (elements.kind == AREA)]] = True
    lone = np.flatnonzero(drawn & copper.floating[copper.pieces.group])
    order = np.argsort(piece_of, kind="stable")
    starts = np.searchsorted(piece_of[order], np.append(lone, len(copper.pieces)))
    ends = np.searchsorted(piece_of[order], lone, side="right")
    rows = []
    for piece, start, end in zip(lone.tolist(), starts[:-1].tolist(), ends.tolist(), strict=True):
        own = order[start:end]
        shape = _copper_shape(board, copper, own[elements.kind[own] != BARREL])
        if shape.intersection(board.outline).area < 0.5 * shape.area:
            continue
        inside = shape.representative_point()
        extent = diameter(shape)
        traces = elements.row[own[elements.kind[own] == TRACE]]
        if not (elements.kind[own] == AREA).any():
            extent = max(extent, float(board.traces.length[traces].sum()))
        pieces = copper.pieces
        rows.append(
            (
                piece,
                pieces.group[piece],
                pieces.layer[piece],
                pieces.net[piece],
                extent,
                shape.area,
                inside.x,
                inside.y,
                shape,
            )
        )
    return LoneCopper.from_rows(rows)


def _copper_shape(board: Board, copper: Copper, own: Index) -> BaseGeometry:
    """Union of the copper of some elements on one layer."""
    elements = copper.elements
    traces = elements.row[own[elements.kind[own] == TRACE]]
    round_ends = shapely.buffer(board.traces.lines[traces], board.traces.width[traces] / 2, quad_segs=8)
    return shapely.union_all([*elements.core[own[elements.kind[own] != TRACE]], *round_ends])


def diameter(shape: BaseGeometry) -> float:
    """Distance between the two furthest points of a shape, m."""
    corners = shapely.get_coordinates(shapely.convex_hull(shape))
    return float(np.hypot(*(corners[:, None] - corners).T).max()) if len(corners) > 1 else 0.0


def fingers(board: Board, copper: Copper, min_length: float = SHORTEST, widths: Sequence[float] = WIDTHS) -> Fingers:
    """Parts of areas that are long, thin and tied at one end only, ordered by layer, net and place.

    A place is part of the body where the copper is wider than the width scale (each of `widths` in turn) and a tie lies
    in the same wide part. Ties are plated holes that reach copper elsewhere, pads of parts, and traces that lead away.
    What a single cut can part from every tie and from the body hangs on one end; it is a finger when it is at least
    `min_length` long, `SLENDER` times as long as wide. Where it is found at several scales, the finest holds,
    unless a coarser one makes it longer by a quarter.
    Openings smaller than `min_length` (antipads, thermal reliefs) are taken as filled: no finger fits into them, and
    the copper between them is held from several sides.
    """
    found: list[_Finger] = []
    pieces = copper.pieces
    for piece in np.unique(copper.piece_of_area).tolist():
        if copper.floating[pieces.group[piece]]:
            continue
        areas = np.flatnonzero(copper.piece_of_area == piece)
        whole = shapely.union_all(board.areas.shape[areas]) if len(areas) > 1 else board.areas.shape[areas[0]]
        for part in shapely.get_parts(whole).tolist():
            if diameter(part) >= min_length - SLACK:
                found += _fingers_of(board, copper, piece, areas, part, min_length, widths)
    found.sort(key=lambda f: (f.layer, f.net, f.at[0], f.at[1]))
    return Fingers.from_rows([(f.area, f.layer, f.net, f.length, f.width, *f.at, *f.root, f.shape) for f in found])


@dataclass(frozen=True, eq=False)
class _Finger:
    area: int
    layer: int
    net: int
    length: float
    width: float
    at: tuple[float, ...]
    root: tuple[float, ...]
    shape: BaseGeometry


def _fingers_of(
    board: Board,
    copper: Copper,
    piece: int,
    areas: Index,
    whole: Polygon,
    min_length: float,
    widths: Sequence[float],
) -> list[_Finger]:
    """Fingers of one connected polygon of a piece."""
    filled = _without_small_openings(whole, min_length)
    spine = _spine(filled)
    if not len(spine):
        return []
    ties = _tie_nodes(board, copper, areas, filled, spine)
    kept = _hanging(filled, ties.tobytes(), min_length, tuple(sorted(widths)))
    if not kept:
        return []
    cut = np.array(tiles(whole), dtype=object)
    tree = STRtree(cut)
    out: list[_Finger] = []
    for part in kept:
        shape = _shape_of(spine, part, cut, tree)
        shared = shapely.area(shapely.intersection(board.areas.shape[areas], shape)) if len(areas) > 1 else [0]
        area = int(areas[int(np.argmax(shared))])
        layer, net = int(copper.pieces.layer[piece]), int(copper.pieces.net[piece])
        free = spine.at[part.tip].tolist()
        out.append(_Finger(area, layer, net, part.length, part.width, tuple(free), part.start, shape))
    return out


@lru_cache(maxsize=256)
def _spine(filled: Polygon) -> Spine:
    """The spine of a polygon, kept by its shape: a changed board has most of its areas as they were."""
    return spine_of(filled, STEP)


@lru_cache(maxsize=1024)
def _hanging(filled: Polygon, ties: bytes, min_length: float, widths: tuple[float, ...]) -> tuple[_Hanging, ...]:
    """The hanging parts of a polygon over all width scales, kept by its shape and ties (one byte a node)."""
    spine = _spine(filled)
    tied = np.frombuffer(ties, dtype=bool)
    kept: list[_Hanging] = []
    for scale in widths:
        for part in _hanging_parts(spine, tied, scale, min_length):
            same = [other for other in kept if _share(part, other) > 0.5]
            if any(part.length < COARSER * other.length for other in same):
                continue
            kept = [other for other in kept if other not in same] + [part]
    return tuple(kept)


def _share(one: _Hanging, two: _Hanging) -> float:
    """How much of the smaller of two parts of a spine lies in the other one, by nodes."""
    return len(np.intersect1d(one.nodes, two.nodes, assume_unique=True)) / min(len(one.nodes), len(two.nodes))


def _without_small_openings(shape: Polygon, size: float) -> Polygon:
    holes = np.array(shape.interiors, dtype=object)
    x0, y0, x1, y1 = shapely.bounds(holes).reshape(-1, 4).T
    return Polygon(shape.exterior, holes[np.hypot(x1 - x0, y1 - y0) >= size - SLACK].tolist())


def _tie_nodes(board: Board, copper: Copper, areas: Index, filled: Polygon, spine: Spine) -> Bools:
    """Nodes of the spine at which something ties the copper, shape (n,)."""
    elements = copper.elements
    touching = np.unique(np.concatenate([copper.touching(AREA, int(area)) for area in areas]))
    kind, row = elements.kind[touching], elements.row[touching]
    joins = np.zeros(len(board.vias), dtype=bool)
    joins[np.flatnonzero(np.bincount(copper.via_index, minlength=len(board.vias)) > 1)] = True
    joins |= board.vias.pin >= 0
    barrels = row[kind == BARREL]
    barrels = barrels[joins[barrels]]
    pads = row[kind == PAD]
    pads = pads[np.append(joins, True)[board.pads.via[pads]]]
    tied = np.zeros(len(spine), dtype=bool)
    shapes = board.pads.shape[pads]
    tied[STRtree(shapely.points(spine.at)).query(shapes, predicate="intersects")[1]] = True
    vias = board.vias
    places = np.concatenate(
        [
            np.stack([(vias.x + vias.x1)[barrels] / 2, (vias.y + vias.y1)[barrels] / 2], axis=-1),
            np.stack([board.pads.x[pads], board.pads.y[pads]], axis=-1),
            _ways_out(board.traces.lines[row[kind == TRACE]], filled),
        ]
    )
    tied[spine.nodes_at(places)] = True
    return tied


def _ways_out(lines: Shapes, shape: Polygon) -> Points:
    """Where traces leave a shape: for each end that lies outside, the last place inside (or the nearest to it)."""
    out = []
    for line in lines:
        places = shapely.get_coordinates(
            shapely.line_interpolate_point(
                line, np.linspace(0, 1, max(2, int(line.length / STEP) + 1)), normalized=True
            )
        )
        inside = shapely.contains_xy(shape, places)
        if not inside.any():
            nearest = shapely.shortest_line(line, shape)
            out.append(shapely.get_coordinates(nearest)[0])
            continue
        within = np.flatnonzero(inside)
        if not inside[0]:
            out.append(places[within[0]])
        if not inside[-1]:
            out.append(places[within[-1]])
    return np.array(out).reshape(-1, 2)


@dataclass(frozen=True, eq=False)
class _Hanging:
    """A part of a spine that hangs on one end: its nodes, the free tip, where it begins, length and width, m.

    root : the node that holds it, in the body or at the last tie
    """

    nodes: Index
    tip: int
    start: tuple[float, ...]
    root: int
    length: float
    width: float


def _hanging_parts(spine: Spine, ties: Bools, scale: float, min_length: float) -> Iterator[_Hanging]:
    """The long thin hanging parts at one width scale."""
    tied = ties | _wide_and_tied(spine, ties, scale)
    held, reached = held_both_ways(spine, tied)
    loose = reached & ~held
    if not loose.any():
        return
    n = len(spine)
    matrix = coo_array((np.maximum(spine.length, NOTHING), (spine.a, spine.b)), shape=(n, n)).tocsr()
    far, before, _ = dijkstra(
        matrix, directed=False, indices=np.flatnonzero(held), return_predecessors=True, min_only=True
    )
    both = loose[spine.a] & loose[spine.b]
    _, part = connected_components(
        coo_array((np.ones(int(both.sum())), (spine.a[both], spine.b[both])), shape=(n, n)), directed=False
    )
    reach = np.where(spine.along, far + spine.radius, 0.0)
    nodes = np.flatnonzero(loose)
    nodes = nodes[np.lexsort((reach[nodes], part[nodes]))]
    last = np.flatnonzero(np.diff(part[nodes], append=-1))
    for start, end in zip(np.append(0, last[:-1] + 1).tolist(), last.tolist(), strict=True):
        tip = int(nodes[end])
        if reach[tip] < min_length - SLACK:
            continue
        way = [tip]
        while not held[way[-1]]:
            way.append(int(before[way[-1]]))
        root = way[-1]
        measured = _measure(spine, np.array(way), far, float(reach[tip]))
        if measured is None:
            continue
        length, width = measured
        back = way[::-1]
        begin = tuple(float(np.interp(reach[tip] - length, far[back], spine.at[back, i])) for i in (0, 1))
        if length >= max(min_length, SLENDER * width) - SLACK:
            yield _Hanging(nodes[start : end + 1], tip, begin, root, length, width)


def _wide_and_tied(spine: Spine, ties: Bools, scale: float) -> Bools:
    """Nodes in parts wider than the scale that hold a tie."""
    wide = 2 * spine.radius >= scale
    both = wide[spine.a] & wide[spine.b]
    n = len(spine)
    _, part = connected_components(
        coo_array((np.ones(int(both.sum())), (spine.a[both], spine.b[both])), shape=(n, n)), directed=False
    )
    with_tie = np.zeros(n, dtype=bool)
    with_tie[part[ties & wide]] = True
    return wide & with_tie[part]


def _measure(spine: Spine, way: Index, far: Floats, reach: float) -> tuple[float, float] | None:
    """Length and mean width along a way from tip to root; None where all of it lies within the root's own circle.

    A finger of width f begins where the circle round the root (radius R, the largest that fits there) cuts off f:
    sqrt(R² - f²/4) from its centre. A tie inside the finger has R = f/2: there it begins at the tie.
    """
    mouth = float(spine.radius[way[-1]])
    beyond = np.flatnonzero((far[way] >= mouth) & spine.along[way])
    if not len(beyond):
        return None
    # each node stands for half the way to the nodes before and behind it
    share = np.abs(np.gradient(far[way]))[beyond]
    width = 2 * float(np.average(spine.radius[way[beyond]], weights=share + NOTHING))
    return reach - float(np.sqrt(max(mouth**2 - width**2 / 4, 0.0))), width


def _shape_of(spine: Spine, part: _Hanging, cut: Shapes, tree: STRtree) -> BaseGeometry:
    """The copper of a hanging part: the circles round its nodes, without the one round the root, within the shape
    (given as tiles and their tree)."""
    circles = shapely.buffer(shapely.points(spine.at[part.nodes]), spine.radius[part.nodes], quad_segs=6)
    mouth = shapely.Point(spine.at[part.root]).buffer(float(spine.radius[part.root]))
    covered = shapely.union_all(circles).difference(mouth)
    kept = shapely.union_all(shapely.intersection(cut[tree.query(covered)], covered))
    polygons = [p for p in shapely.get_parts(kept).tolist() if isinstance(p, Polygon)]
    return polygons[0] if len(polygons) == 1 else MultiPolygon(polygons)
