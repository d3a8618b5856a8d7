"""Where nets change layers, and which reference they have on either side."""

from __future__ import annotations

import numpy as np
import shapely

from quietcopper.board import Board
from quietcopper.board.geometry import boxes
from quietcopper.board.model import Ints
from quietcopper.electrical.copper import barrels
from quietcopper.electrical.openings import ANTIPAD_SLACK, clearances
from quietcopper.electrical.tables import LayerChanges, Runs
from quietcopper.electrical.tiles import Index, layer_copper

BESIDE = 5e-3  # m; the reference at a hole is that of the nearest run no further away than this


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
    hole, trace = tree.query(boxes(axes[holes], vias.drill[holes] / 2 + widest))
    hole = holes[hole]
    fits = (traces.net[trace] == vias.net[hole]) & (traces.layer[trace] >= vias.first[hole])
    fits &= traces.layer[trace] <= vias.last[hole]
    hole, trace = hole[fits], trace[fits]
    near = shapely.distance(axes[hole], traces.lines[trace]) <= vias.drill[hole] / 2 + traces.width[trace] / 2
    own = np.flatnonzero((pads.via >= 0) & np.isin(pads.via, holes))
    pad, pad_trace = tree.query(boxes(pads.shape[own], widest))
    pad = own[pad]
    through = pads.via[pad]
    fits = (traces.layer[pad_trace] == pads.layer[pad]) & (traces.net[pad_trace] == vias.net[through])
    fits &= (pads.layer[pad] >= vias.first[through]) & (pads.layer[pad] <= vias.last[through])
    pad, pad_trace = pad[fits], pad_trace[fits]
    touches = shapely.distance(pads.shape[pad], traces.lines[pad_trace]) <= traces.width[pad_trace] / 2
    hole = np.concatenate([hole[near], pads.via[pad[touches]].astype(np.int64)])
    trace = np.concatenate([trace[near], pad_trace[touches]])
    pairs = np.unique(np.stack([hole, trace], axis=1), axis=0)
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


def one_piece(board: Board, a: int, b: int) -> bool:
    """Whether two areas on one layer are one piece of copper there."""
    copper = layer_copper(board, int(board.areas.layer[a]))
    at = np.searchsorted(copper.rows, [a, b])
    return bool(copper.joined[at[0]] == copper.joined[at[1]])
