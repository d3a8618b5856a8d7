"""Where each trace's return current has copper: runs cut where the reference changes."""

from __future__ import annotations

import numpy as np

from quietcopper.board import Board
from quietcopper.board.model import Floats, Ints
from quietcopper.electrical.cover import Stretches, cover, stretch_lines
from quietcopper.electrical.gaps import NO_PATCHES, find_gaps
from quietcopper.electrical.tables import Runs
from quietcopper.electrical.tiles import NEAR, Index, LayerCopper, area_layers, layer_copper

__all__ = ["cut_runs", "find_gaps"]


def cut_runs(board: Board, patches: Ints = NO_PATCHES) -> Runs:
    """Every trace segment cut where the first area met above or below it changes, in trace order.

    Seen from the trace, each direction is walked layer by layer: where the next layer has no filled copper, the one
    beyond is looked at, up to the outer layer. Copper of the trace's own net carries no return current and is looked
    through; other traces and `patches` (rows in board.areas) are looked through as well. Copper of net 0 counts for
    every trace. Segments of no length give no run.
    """
    copper = {i: layer_copper(board, i).without(patches) for i in np.flatnonzero(area_layers(board)).tolist()}
    copper = {i: mine for i, mine in copper.items() if len(mine.rows)}
    above, below = _met(board, -1, copper), _met(board, +1, copper)
    trace, start, stop, up, down = _both(above, below)
    layer = board.traces.layer[trace]
    above_layer, above_gap = _distance(board, layer, up)
    below_layer, below_gap = _distance(board, layer, down)
    return Runs(
        trace=trace.astype(np.int32),
        net=board.traces.net[trace],
        layer=layer,
        start=start,
        stop=stop,
        width=board.traces.width[trace],
        line=stretch_lines(board.traces, trace, start, stop),
        above=up.astype(np.int32),
        above_layer=above_layer,
        above_gap=above_gap,
        below=down.astype(np.int32),
        below_layer=below_layer,
        below_gap=below_gap,
    )


def _met(board: Board, step: int, layers: dict[int, LayerCopper]) -> Stretches:
    """All traces cut by the first area met in one direction (value: row in board.areas, -1 none), in trace order."""
    traces = board.traces
    waiting = Stretches.of(traces)
    done: list[Stretches] = []
    for distance in range(1, len(board.layers)):
        rest: list[Stretches] = []
        looked_at = traces.layer[waiting.trace] + step * distance
        for layer in np.unique(looked_at):
            here = waiting.take(looked_at == layer)
            if not 0 <= layer < len(board.layers):
                done.append(here)
            elif int(layer) not in layers:
                rest.append(here)
            else:
                copper = layers[int(layer)]
                cut = cover(copper, traces, here, traces.net)
                met = cut.value >= 0
                found = cut.take(met)
                done.append(Stretches(found.trace, found.start, found.stop, copper.rows[found.value]))
                rest.append(cut.take(~met))
        waiting = Stretches.joined(rest)
    return Stretches.joined([*done, waiting])


def _both(above: Stretches, below: Stretches) -> tuple[Index, Floats, Floats, Index, Index]:
    """The cuts of both directions laid over each other: trace, start, stop, area above, area below."""
    trace = np.concatenate([above.trace, below.trace])
    start = np.concatenate([above.start, below.start])
    upper = np.concatenate([np.arange(len(above)), np.full(len(below), -1)])
    lower = np.concatenate([np.full(len(above), -1), np.arange(len(below))])
    order = np.lexsort((start, trace))
    trace, start = trace[order], start[order]
    # each interval belongs to the last cut above and the last cut below that began at or before its start
    upper, lower = np.maximum.accumulate(upper[order]), np.maximum.accumulate(lower[order])
    end = np.ones(len(trace), dtype=np.bool_)
    end[:-1] = trace[1:] != trace[:-1]
    whole = np.zeros(len(trace))
    whole[:-1] = start[1:]
    stop = np.where(end, np.maximum(above.stop[upper], below.stop[lower]) if len(trace) else 0.0, whole)
    keep = stop - start > NEAR
    trace, start, stop, upper, lower = trace[keep], start[keep], stop[keep], upper[keep], lower[keep]
    # an interval dropped for want of length leaves no hole: its neighbour begins where the last one ended
    follows = np.zeros(len(trace), dtype=np.bool_)
    follows[1:] = trace[1:] == trace[:-1]
    start[~follows] = 0.0
    start[1:][follows[1:]] = stop[:-1][follows[1:]]
    return trace, start, stop, above.value[upper], below.value[lower]


def _distance(board: Board, layer: Ints, area: Index) -> tuple[Ints, Floats]:
    """Layer of each area (-1 none) and dielectric distance to it from a trace's layer (m, inf none)."""
    none = area < 0
    if not len(board.areas):
        return np.full(len(area), -1, dtype=np.int32), np.full(len(area), np.inf)
    met = np.where(none, -1, board.areas.layer[area]).astype(np.int32)
    n = len(board.layers)
    table = np.full((n, n + 1), np.inf)  # the last column answers for -1
    for upper in range(n):
        for lower in range(upper + 1, n):
            table[upper, lower] = table[lower, upper] = board.distance(upper, lower)
    return met, table[layer, met]
