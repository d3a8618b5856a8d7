"""Traces that run side by side on one layer, or one above another on layers next to each other.

Two straight pieces run side by side where their directions differ by at most `ANGLE`. Both are projected on the
bisector of their directions, so that it makes no difference which of them is looked at first; the common stretch is
the overlap of the projections. Arcs take part as chords of at most 8 degrees and are put together again afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import STRtree
from shapely.ops import substring

from quietcopper.board import Board
from quietcopper.board.geometry import arc_points
from quietcopper.board.model import ARC_SAG, Bools, Floats, Ints, Shapes, Table, column
from quietcopper.electrical.tables import Neighbours

ANGLE = np.radians(10.0)
SHORTEST = 10e-6  # m; overlaps shorter than this are corners that meet, not stretches
SLACK = 1e-9  # m; a spacing this close to the reach is within it, so that rounding cannot decide
CHORD_SAG = 1 - np.cos(np.radians(4.0))  # of the radius: a chord spans at most 8 degrees
TAPER = 0.25  # a stretch is cut where its centre distance changes by more than this share
MOST_CUTS = 16
PLANE_SHARE = 0.25  # a layer whose areas cover this share of the board counts as a return for its neighbours
HEIGHTS = 4.0  # default reach in heights over the return: there two lines of 50 to 70 ohm couple 1.1 % (converged
# boundary-element row for er 4.4, width = height, gap = 4 heights)
SMALLEST_REACH, LARGEST_REACH = 1e-3, 6e-3  # m, bounds of the default reach

SPACINGS = np.array([0.0, 0.1, 0.15, 0.2, 0.3, 0.5, 0.8, 1.2, 2.0, 3.0, 6.0, np.inf]) * 1e-3
"""Edges of the classes in `Bundles.histogram`, m."""


@dataclass(frozen=True, eq=False)
class Stacked(Table):
    """Stretches where a trace of one net runs above a trace of another, on copper layers next to each other.

    a, b : rows in board.traces, the upper and the lower; length : of the common stretch, m
    offset : centre line to centre line as seen from above, m; gap : dielectric between the two, m
    x, y : middle of the stretch; line : the stretch on a's centre line
    """

    a: Ints = column(np.int32)
    b: Ints = column(np.int32)
    length: Floats = column(np.float64)
    offset: Floats = column(np.float64)
    gap: Floats = column(np.float64)
    x: Floats = column(np.float64)
    y: Floats = column(np.float64)
    line: Shapes = column(object)


@dataclass(frozen=True, eq=False)
class Bundles(Table):
    """All stretches that two nets share on one layer, one row a pair of nets (net_a < net_b) and layer.

    length : total, m; spacing : edge to edge, mean weighted by length, m; closest : smallest spacing, m
    x, y : middle of the stretch that counts most (longest for the square of its centre distance)
    rows : rows in the Neighbours table; histogram : length in each class of `SPACINGS`, m
    """

    net_a: Ints = column(np.int32)
    net_b: Ints = column(np.int32)
    layer: Ints = column(np.int32)
    length: Floats = column(np.float64)
    spacing: Floats = column(np.float64)
    closest: Floats = column(np.float64)
    x: Floats = column(np.float64)
    y: Floats = column(np.float64)
    rows: Shapes = column(object)
    histogram: Shapes = column(object)


@dataclass(frozen=True, eq=False)
class _Chords:
    """Straight pieces of traces: ends, trace row, position of the start along the trace, m."""

    p0: NDArray[np.float64]
    p1: NDArray[np.float64]
    trace: Ints
    start: Floats

    @classmethod
    def of(cls, board: Board) -> _Chords:
        traces = board.traces
        straight = np.flatnonzero((traces.turn == 0) & (traces.length > 0))
        p0 = [np.stack([traces.x0[straight], traces.y0[straight]], axis=-1)]
        p1 = [np.stack([traces.x1[straight], traces.y1[straight]], axis=-1)]
        row, start = [straight], [np.zeros(len(straight))]
        for i in np.flatnonzero(traces.turn):
            radius = np.hypot(traces.x0[i] - traces.xc[i], traces.y0[i] - traces.yc[i])
            ends = (traces.x0[i], traces.y0[i], traces.x1[i], traces.y1[i], traces.xc[i], traces.yc[i])
            points = arc_points(*ends, int(traces.turn[i]), max(ARC_SAG, CHORD_SAG * radius))
            p0.append(points[:-1])
            p1.append(points[1:])
            row.append(np.full(len(points) - 1, i))
            start.append(np.linspace(0, traces.length[i], len(points))[:-1])
        trace = np.concatenate(row).astype(np.int32)
        return cls(np.concatenate(p0), np.concatenate(p1), trace, np.concatenate(start))


@dataclass(frozen=True, eq=False)
class _Stretches:
    """Common stretches: trace rows a and b, ends on a's centre line, their positions along a, centre distance."""

    a: Ints
    b: Ints
    ends: NDArray[np.float64]  # (n, 2, 2)
    start: Floats
    stop: Floats
    length: Floats
    distance: Floats


def side_by_side(board: Board, reach: float | None = None) -> Neighbours:
    """All stretches where traces of different nets on one layer run side by side within `reach` (edge to edge, m).

    Where the two are not quite parallel the stretch is cut, so that the spacing (taken at its middle) stands for the
    whole of it. The net of a comes before the net of b by name; rows are ordered by the two nets, layer and place.
    Consecutive segments of the same two nets are separate rows, which `bundle` puts together.
    reach : by default four times the distance to the nearest layer with a plane, between 1 and 6 mm (`default_reach`)
    """
    traces = board.traces
    chords = _Chords.of(board)
    parts = []
    for layer in np.unique(traces.layer):
        here = _rows(traces.layer[chords.trace] == layer)
        limit = default_reach(board, int(layer)) if reach is None else reach
        parts.append(_common(board, chords, *_near(board, chords, here, here, limit), limit))
    found = _joined(board, parts)
    width = (traces.width[found.a] + traces.width[found.b]) / 2
    middle = found.ends.mean(axis=1)
    net = _by_name(board)[traces.net]
    order = np.lexsort((middle[:, 1], middle[:, 0], traces.layer[found.a], net[found.b], net[found.a]))
    return Neighbours(
        a=found.a[order],
        b=found.b[order],
        length=found.length[order],
        spacing=np.maximum(found.distance - width, 0.0)[order],
        x=middle[order, 0],
        y=middle[order, 1],
        line=_lines(board, found)[order],
    )


def one_above_other(board: Board, reach: float | None = None) -> Stacked:
    """Stretches where traces of different nets run one above another on copper layers next to each other.

    reach : how far aside the nearer edges may lie as seen from above, m; by default the dielectric between the layers
    """
    traces = board.traces
    chords = _Chords.of(board)
    parts = []
    for upper in range(len(board.layers) - 1):
        above = _rows(traces.layer[chords.trace] == upper)
        below = _rows(traces.layer[chords.trace] == upper + 1)
        limit = board.distance(upper, upper + 1) if reach is None else reach
        parts.append(_common(board, chords, *_near(board, chords, above, below, limit), limit))
    found = _joined(board, parts)
    middle = found.ends.mean(axis=1)
    order = np.lexsort((middle[:, 1], middle[:, 0], traces.net[found.b], traces.net[found.a], traces.layer[found.a]))
    gaps = np.array([board.distance(i, i + 1) for i in range(len(board.layers) - 1)])
    return Stacked(
        a=found.a[order],
        b=found.b[order],
        length=found.length[order],
        offset=found.distance[order],
        gap=gaps[traces.layer[found.a[order]]],
        x=middle[order, 0],
        y=middle[order, 1],
        line=_lines(board, found)[order],
    )


def default_reach(board: Board, layer: int) -> float:
    """How far apart (edge to edge, m) two traces on a layer are still looked at: `HEIGHTS` times the height over the
    nearest layer with a plane, or the board's thickness where there is none, between 1 and 6 mm."""
    covered = np.bincount(board.areas.layer, weights=shapely.area(board.areas.shape), minlength=len(board.layers))
    planes = [int(i) for i in np.flatnonzero(covered >= PLANE_SHARE * board.outline.area) if i != layer]
    heights = [board.distance(min(i, layer), max(i, layer)) for i in planes]
    return float(np.clip(HEIGHTS * min(heights, default=board.thickness), SMALLEST_REACH, LARGEST_REACH))


def bundle(board: Board, neighbours: Neighbours) -> Bundles:
    """The stretches of side_by_side put together by pair of nets and layer, ordered by net a, net b, layer."""
    traces = board.traces
    net = np.sort(np.stack([traces.net[neighbours.a], traces.net[neighbours.b]]), axis=0)
    keys, which = np.unique(np.stack([*net, traces.layer[neighbours.a]]), axis=1, return_inverse=True)
    n = keys.shape[1]
    order = np.argsort(which, kind="stable")
    cuts = np.searchsorted(which[order], np.arange(1, n))
    rows = np.empty(n, dtype=object)
    rows[:] = np.split(order, cuts) if n else []
    length = np.bincount(which, weights=neighbours.length, minlength=n).astype(np.float64)
    spacing = np.bincount(which, weights=neighbours.length * neighbours.spacing, minlength=n)
    closest = np.full(n, np.inf)
    np.minimum.at(closest, which, neighbours.spacing)
    by_class = np.zeros((n, len(SPACINGS) - 1))
    np.add.at(by_class, (which, np.searchsorted(SPACINGS, neighbours.spacing, side="right") - 1), neighbours.length)
    histogram = np.empty(n, dtype=object)
    histogram[:] = list(by_class)
    centre = neighbours.spacing + (traces.width[neighbours.a] + traces.width[neighbours.b]) / 2
    ranked = np.lexsort((neighbours.y, neighbours.x, -neighbours.length / centre**2, which))
    main = ranked[np.searchsorted(which[ranked], np.arange(n))]
    return Bundles(
        net_a=keys[0],
        net_b=keys[1],
        layer=keys[2],
        length=length,
        spacing=spacing / length,
        closest=closest,
        x=neighbours.x[main],
        y=neighbours.y[main],
        rows=rows,
        histogram=histogram,
    )


def _near(board: Board, chords: _Chords, one: Ints, two: Ints, reach: float) -> tuple[Ints, Ints]:
    """Chords of different nets, much in one direction, among which are all whose copper runs within reach, as index
    pairs (from `one`, from `two`).

    With one and two the same set, every pair is found once, the chord of the first net by name first: the order of the
    net list must not matter. Each pair is found from its wider member, so that one wide trace does not widen every
    search.
    """
    low, high = np.minimum(chords.p0, chords.p1), np.maximum(chords.p0, chords.p1)
    boxes = shapely.box(*low.T, *high.T)
    ahead, _ = _unit(chords.p1 - chords.p0)
    width, net = board.traces.width[chords.trace], _by_name(board)[board.traces.net[chords.trace]]
    same = one is two
    pairs = []
    for start, other, swapped in ((one, two, False),) if same else ((one, two, False), (two, one, True)):
        if not (len(start) and len(other)):
            continue
        far = (reach + width[start] + SLACK)[:, None]
        index = STRtree(boxes[other]).query(shapely.box(*(low[start] - far).T, *(high[start] + far).T))
        i, j = start[index[0]], other[index[1]]
        along = np.flatnonzero(np.abs(np.einsum("ij,ij->i", ahead[i], ahead[j])) >= np.cos(ANGLE) - 1e-9)
        i, j = i[along], j[along]
        wider = (width[i] > width[j]) | ((width[i] == width[j]) & ((i < j) if same else not swapped))
        keep = wider & (net[i] != net[j])
        i, j = i[keep], j[keep]
        if same:
            turned = net[i] > net[j]
            i, j = np.where(turned, j, i), np.where(turned, i, j)
        pairs.append((j, i) if swapped else (i, j))
    if not pairs:
        return np.empty(0, dtype=np.int32), np.empty(0, dtype=np.int32)
    return np.concatenate([p[0] for p in pairs]), np.concatenate([p[1] for p in pairs])


def _common(board: Board, chords: _Chords, i: Ints, j: Ints, reach: float) -> _Stretches:
    """The stretches that chords i and j share within reach, cut where their distance changes much."""
    origin = chords.p0[i]
    ua, length_a = _unit(chords.p1[i] - origin)
    ub, _ = _unit(chords.p1[j] - chords.p0[j])
    back = (ua * ub).sum(-1) < 0
    ub = np.where(back[:, None], -ub, ub)
    keep = np.flatnonzero((ua * ub).sum(-1) >= np.cos(ANGLE) - 1e-12)
    i, j, back, origin, ua, ub, length_a = (
        i[keep],
        j[keep],
        back[keep],
        origin[keep],
        ua[keep],
        ub[keep],
        length_a[keep],
    )
    u, _ = _unit(ua + ub)
    across = np.stack([-u[:, 1], u[:, 0]], axis=-1)
    b0 = np.where(back[:, None], chords.p1[j], chords.p0[j]) - origin
    b1 = np.where(back[:, None], chords.p0[j], chords.p1[j]) - origin
    a1 = ((chords.p1[i] - origin) * u).sum(-1)
    tb0, tb1 = (b0 * u).sum(-1), (b1 * u).sum(-1)
    # distance across as a straight line over t, the coordinate along the bisector: d = d0 + slope·t
    slope_a = ((chords.p1[i] - origin) * across).sum(-1) / a1
    nb0, nb1 = (b0 * across).sum(-1), (b1 * across).sum(-1)
    slope_b = (nb1 - nb0) / (tb1 - tb0)
    d0, slope = nb0 - slope_b * tb0, slope_b - slope_a
    low, high = np.maximum(0.0, tb0), np.minimum(a1, tb1)
    half = (board.traces.width[chords.trace[i]] + board.traces.width[chords.trace[j]]) / 2
    furthest = half + reach + SLACK
    tilted = np.abs(slope) > 1e-12
    safe = np.where(tilted, slope, 1.0)
    first, second = (-furthest - d0) / safe, (furthest - d0) / safe
    low = np.where(tilted, np.maximum(low, np.minimum(first, second)), low)
    high = np.where(tilted, np.minimum(high, np.maximum(first, second)), high)
    keep = np.flatnonzero((high - low >= SHORTEST) & (tilted | (np.abs(d0) <= furthest)))

    change = np.abs(slope[keep]) * (high - low)[keep]
    ends = d0[keep, None] + slope[keep, None] * np.stack([low[keep], high[keep]], axis=-1)
    nearest = np.where(ends[:, 0] * ends[:, 1] > 0, np.abs(ends).min(axis=1), 0.0)
    cuts = np.clip(np.ceil(change / (TAPER * np.maximum(nearest, half[keep])) - 1e-9), 1, MOST_CUTS).astype(np.int64)
    row = np.repeat(keep, cuts)
    step = np.arange(len(row)) - np.repeat(np.cumsum(cuts) - cuts, cuts)
    part = ((high - low)[keep] / cuts)[np.repeat(np.arange(len(keep)), cuts)]
    t0 = low[row] + step * part
    t1 = t0 + part
    along = length_a[row] / a1[row]  # along chord a for every step along the bisector
    s0, s1 = t0 * along, t1 * along
    return _Stretches(
        a=chords.trace[i[row]],
        b=chords.trace[j[row]],
        ends=origin[row, None, :] + ua[row, None, :] * np.stack([s0, s1], axis=-1)[:, :, None],
        start=chords.start[i[row]] + s0,
        stop=chords.start[i[row]] + s1,
        length=part,
        distance=np.abs(d0[row] + slope[row] * (t0 + t1) / 2),
    )


def _by_name(board: Board) -> NDArray[np.int64]:
    """Place of every net in the order of names, shape (nets,)."""
    return np.argsort(np.argsort(np.array(board.nets, dtype=object), kind="stable"), kind="stable")


def _rows(mask: Bools) -> Ints:
    return np.flatnonzero(mask).astype(np.int32)


def _unit(vector: NDArray[np.float64]) -> tuple[NDArray[np.float64], Floats]:
    length = np.hypot(vector[:, 0], vector[:, 1])
    return vector / length[:, None], length


def _joined(board: Board, parts: list[_Stretches]) -> _Stretches:
    """All stretches in one, those of arcs put together again: one row for every pair of traces with an arc in it."""
    empty = np.empty(0)
    none = _Stretches(empty.astype(np.int32), empty.astype(np.int32), np.empty((0, 2, 2)), empty, empty, empty, empty)
    parts = parts or [none]
    names = ("a", "b", "ends", "start", "stop", "length", "distance")
    all_of = {name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
    a, b = all_of["a"], all_of["b"]
    bent = (board.traces.turn[a] != 0) | (board.traces.turn[b] != 0)
    rows = np.flatnonzero(bent)
    pairs, which = np.unique(np.stack([a[rows], b[rows]]), axis=1, return_inverse=True)
    n = pairs.shape[1]
    length = np.bincount(which, weights=all_of["length"][rows], minlength=n)
    distance = np.bincount(which, weights=all_of["length"][rows] * all_of["distance"][rows], minlength=n)
    start, stop = np.full(n, np.inf), np.zeros(n)
    np.minimum.at(start, which, all_of["start"][rows])
    np.maximum.at(stop, which, all_of["stop"][rows])
    middle = shapely.line_interpolate_point(board.traces.lines[pairs[0]], (start + stop) / 2)
    at = np.stack([shapely.get_x(middle), shapely.get_y(middle)], axis=-1)
    merged = {
        "a": pairs[0],
        "b": pairs[1],
        "ends": np.stack([at, at], axis=1),
        "start": start,
        "stop": stop,
        "length": length,
        "distance": distance / length,
    }
    return _Stretches(**{name: np.concatenate([all_of[name][~bent], merged[name]]) for name in names})


def _lines(board: Board, found: _Stretches) -> Shapes:
    """The stretches on a's centre line."""
    out: Shapes = shapely.linestrings(found.ends).astype(object)
    bent = (board.traces.turn[found.a] != 0) | (board.traces.turn[found.b] != 0)
    for i in np.flatnonzero(bent):
        out[i] = substring(board.traces.lines[found.a[i]], found.start[i], found.stop[i])
    return out
