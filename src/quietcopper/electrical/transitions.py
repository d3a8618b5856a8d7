"""Where nets change layers, and what the return current finds there: stitching vias, capacitors, or nothing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from quietcopper.board import Board
from quietcopper.board.model import Floats, Ints, Names, Table, column
from quietcopper.electrical.copper import barrels
from quietcopper.electrical.openings import ANTIPAD_SLACK, clearances
from quietcopper.electrical.tables import Gaps, LayerChanges, Runs
from quietcopper.electrical.tiles import Index, layer_copper
from quietcopper.electrical.view import View

BESIDE = 5e-3  # m; the reference at a hole is that of the nearest run no further away than this

SAME_PLANE, STITCHED, BETWEEN_NETS, NO_REFERENCE = "same plane", "same net", "different nets", "no reference"


def layer_changes(board: Board, runs: Runs) -> LayerChanges:
    """Plated holes at which traces of the hole's net end or pass on two layers or more, in the order of the holes.

    A trace is at a hole where its copper touches the barrel or the hole's pad on that layer. The reference of a layer
    is that of the nearest run of those traces that reaches out of the hole's own antipad; -1 where none within BESIDE
    has one.
    """
    hole, trace = _at_holes(board)
    layer = board.traces.layer[trace]
    count = len(board.vias)
    upper = np.full(count, len(board.layers))
    lower = np.full(count, -1)
    np.minimum.at(upper, hole, layer)
    np.maximum.at(lower, hole, layer)
    via = np.flatnonzero(lower > upper)
    rows = [_reference_at(board, runs, via, side[via]) for side in (upper, lower)]
    return LayerChanges(
        via=via.astype(np.int32),
        net=board.vias.net[via],
        x=(board.vias.x[via] + board.vias.x1[via]) / 2,
        y=(board.vias.y[via] + board.vias.y1[via]) / 2,
        upper=upper[via].astype(np.int32),
        lower=lower[via].astype(np.int32),
        upper_area=rows[0],
        lower_area=rows[1],
        upper_ref=_layer_of(board, rows[0]),
        lower_ref=_layer_of(board, rows[1]),
    )


def _layer_of(board: Board, area: Ints) -> Ints:
    known = area >= 0
    out = np.full(len(area), -1, dtype=np.int32)
    out[known] = board.areas.layer[area[known]]
    return out


def _at_holes(board: Board) -> tuple[Index, Index]:
    """Pairs (plated hole, trace of its net on a layer it joins) that touch, directly or through the hole's pad."""
    traces, vias, pads = board.traces, board.vias, board.pads
    none = np.empty(0, dtype=np.int64)
    holes = np.flatnonzero(vias.plated & (vias.net != 0))
    if not len(holes) or not len(traces):
        return none, none
    tree = shapely.STRtree(traces.lines)
    axes = barrels(board)
    widest = float(traces.width.max()) / 2
    hole, trace = tree.query(axes[holes], predicate="dwithin", distance=vias.drill[holes] / 2 + widest)
    hole = holes[hole]
    near = shapely.distance(axes[hole], traces.lines[trace]) <= vias.drill[hole] / 2 + traces.width[trace] / 2
    own = np.flatnonzero((pads.via >= 0) & np.isin(pads.via, holes))
    pad, pad_trace = tree.query(pads.shape[own], predicate="dwithin", distance=widest)
    pad = own[pad]
    touches = traces.layer[pad_trace] == pads.layer[pad]
    touches &= shapely.distance(pads.shape[pad], traces.lines[pad_trace]) <= traces.width[pad_trace] / 2
    hole = np.concatenate([hole[near], pads.via[pad[touches]].astype(np.int64)])
    trace = np.concatenate([trace[near], pad_trace[touches]])
    fits = (traces.net[trace] == vias.net[hole]) & (traces.layer[trace] >= vias.first[hole])
    fits &= traces.layer[trace] <= vias.last[hole]
    pairs = np.unique(np.stack([hole[fits], trace[fits]], axis=1), axis=0)
    return pairs[:, 0], pairs[:, 1]


def _reference_at(board: Board, runs: Runs, via: Index, layer: Index) -> Ints:
    """Row in board.areas of the reference that a net's runs on a layer have beside each hole, -1 none."""
    out = np.full(len(via), -1, dtype=np.int32)
    known = np.flatnonzero(runs.reference >= 0)
    if not len(via) or not len(known):
        return out
    axes = barrels(board)[via]
    tree = shapely.STRtree(runs.line[known])
    which, run = tree.query(axes, predicate="dwithin", distance=BESIDE)
    run = known[run]
    mine = (runs.net[run] == board.vias.net[via[which]]) & (runs.layer[run] == layer[which])
    which, run = which[mine], run[mine]
    # what lies wholly within the hole's own antipad looks through it on to a further plane: not the reference
    inside = np.zeros(len(which), dtype=np.bool_)
    ends = [shapely.distance(shapely.get_point(runs.line[run], i), axes[which]) for i in (0, -1)]
    furthest = np.maximum(*ends)
    for passed in range(len(board.layers)):
        clear = clearances(board, via, passed)
        opening = np.where(np.isfinite(clear), ANTIPAD_SLACK * clear, 0.0)[which]
        inside |= (furthest <= opening) & (_nearer(board, runs, run, passed))
    which, run = which[~inside], run[~inside]
    order = np.lexsort((run, shapely.distance(runs.line[run], axes[which]), which))
    which, first = np.unique(which[order], return_index=True)
    out[which] = runs.reference[run[order][first]]
    return out


def _nearer(board: Board, runs: Runs, run: Index, layer: int) -> np.ndarray:
    """Whether a layer lies nearer to each run than the run's reference does."""
    reach = np.full(len(board.layers), np.inf)
    for own in range(len(board.layers)):
        if own != layer:
            reach[own] = board.distance(min(own, layer), max(own, layer))
    return np.asarray(reach[runs.layer[run]] < runs.reference_gap[run] - 1e-9)


@dataclass(frozen=True, eq=False)
class Bridges(Table):
    """What joins two areas near a place, one row each, by place and then by distance.

    place : row of the table that was asked about; via : row in board.vias, part : row in board.parts, -1 for the other
    distance : from the place to the hole's axis, or to the middle between the part's pins, m
    """

    place: Ints = column(np.int32)
    via: Ints = column(np.int32)
    part: Ints = column(np.int32)
    distance: Floats = column(np.float64)

    def of(self, place: int) -> Bridges:
        """The rows of one place, nearest first."""
        low, high = np.searchsorted(self.place, [place, place + 1])
        return self.take(np.arange(low, high))


@dataclass(frozen=True, eq=False)
class ReturnWays:
    """What the return current finds at each layer change.

    kind : one of SAME_PLANE (both layers use the two faces of one area: the return passes through the antipad),
           STITCHED (two references of one net: vias that tie both), BETWEEN_NETS (capacitors between their nets),
           NO_REFERENCE (no copper carries the return on one of the two layers, or on both), one a row of the changes
    bridges : the vias or capacitors within the radius
    """

    kind: Names
    bridges: Bridges


def return_ways(view: View, changes: LayerChanges, radius: float) -> ReturnWays:
    """For each layer change the vias or capacitors within `radius` (m) that lead its return from plane to plane."""
    areas = view.board.areas
    a, b = changes.upper_area, changes.lower_area
    known = (a >= 0) & (b >= 0)
    kind = np.full(len(changes), NO_REFERENCE, dtype=object)
    rows = np.flatnonzero(known)
    same_net = areas.net[a[rows]] == areas.net[b[rows]]
    kind[rows] = np.where(same_net, STITCHED, BETWEEN_NETS)
    one_layer = rows[changes.upper_ref[rows] == changes.lower_ref[rows]]
    kind[[row for row in one_layer.tolist() if _joined(view.board, int(a[row]), int(b[row]))]] = SAME_PLANE
    found = [
        _vias_near(view, row, [int(a[row])], [int(b[row])], float(changes.x[row]), float(changes.y[row]), radius)
        for row in np.flatnonzero(kind == STITCHED).tolist()
    ]
    asked = np.flatnonzero(kind == BETWEEN_NETS)
    found += _capacitors_near(view, asked, a[asked], b[asked], changes.x[asked], changes.y[asked], radius)
    return ReturnWays(kind, _sorted(found))


def gap_bridges(view: View, gaps: Gaps, radius: float) -> Bridges:
    """For each gap what lies within `radius` (m) of its middle and leads the return over it.

    Capacitors between the nets of the areas before and after; where both are of one net, the holes that tie the area
    before or after to an area of that net on another layer, by which the return can pass under the gap. Nothing where
    the trace does not come back (after is -1).
    """
    areas = view.board.areas
    closed = gaps.after >= 0
    same = np.zeros(len(gaps), dtype=np.bool_)
    same[closed] = areas.net[gaps.before[closed]] == areas.net[gaps.after[closed]]
    found = []
    for row in np.flatnonzero(same).tolist():
        ends = sorted({int(gaps.before[row]), int(gaps.after[row])})
        others = np.flatnonzero((areas.net == areas.net[ends[0]]) & (areas.layer != gaps.reference[row]))
        x, y = float(gaps.x[row]), float(gaps.y[row])
        found.append(_vias_near(view, row, ends, others.tolist(), x, y, radius))
    asked = np.flatnonzero(closed & ~same)
    a, b = gaps.before[asked], gaps.after[asked]
    found += _capacitors_near(view, asked, a, b, gaps.x[asked], gaps.y[asked], radius)
    return _sorted(found)


def _joined(board: Board, a: int, b: int) -> bool:
    """Whether two areas on one layer are one piece of copper there."""
    copper = layer_copper(board, int(board.areas.layer[a]))
    at = np.searchsorted(copper.rows, [a, b])
    return bool(copper.joined[at[0]] == copper.joined[at[1]])


_Found = tuple[Index, Index, Index, Floats]  # place, via, part, distance


def _vias_near(view: View, place: int, some: list[int], others: list[int], x: float, y: float, radius: float) -> _Found:
    """Holes that tie one of some areas to one of other areas."""
    vias = view.board.vias
    first = np.unique(np.concatenate([view.vias_on(area) for area in some]))
    near = first[shapely.distance(shapely.Point(x, y), barrels(view.board)[first]) <= radius]
    on_others = [view.vias_on(area) for area in others]
    tied = np.intersect1d(near, np.concatenate(on_others)) if on_others else np.empty(0, dtype=np.int64)
    tied = tied[vias.plated[tied]]
    distance = shapely.distance(shapely.Point(x, y), barrels(view.board)[tied])
    return np.full(len(tied), place), tied.astype(np.int64), np.full(len(tied), -1), distance


def _capacitors_near(view: View, places: Index, a: Ints, b: Ints, x: Floats, y: Floats, radius: float) -> list[_Found]:
    """Capacitors between the nets of areas a and b near each place."""
    caps, net = view.capacitors, view.board.areas.net
    out = []
    for i, place in enumerate(places.tolist()):
        rows = caps.between(int(net[a[i]]), int(net[b[i]]))
        distance = np.hypot(caps.x[rows] - x[i], caps.y[rows] - y[i])
        rows, distance = rows[distance <= radius], distance[distance <= radius]
        out.append((np.full(len(rows), place), np.full(len(rows), -1), caps.part[rows].astype(np.int64), distance))
    return out


def _sorted(found: list[_Found]) -> Bridges:
    if not found:
        return Bridges.empty()
    place, via, part, distance = (np.concatenate(c) for c in zip(*found, strict=True))
    order = np.lexsort((part, via, distance, place))
    return Bridges(
        place=place[order].astype(np.int32),
        via=via[order].astype(np.int32),
        part=part[order].astype(np.int32),
        distance=distance[order],
    )
