"""Ends taken away that lead nowhere: of traces, and of vias beyond the layers that they join. Lengths in m."""

from __future__ import annotations

import dataclasses

import numpy as np
import shapely
from numpy.typing import NDArray

from quietcopper.board import Board
from quietcopper.changes.base import Changed, ChangeError, Rules, layer_of, net_of, place_mm
from quietcopper.changes.tables import without

SAME = 1e-6  # m; ends that lie this close are one joint
LEFT_OVER = 0.2e-3  # m, of a via's end that drilling leaves (common practice, no source)


def cut_end(board: Board, rules: Rules, *, net: str, at: tuple[float, float]) -> Changed:
    """The end of a net's trace nearest to `at` (m) that leads nowhere is taken away, back to where the net branches or
    to a pin, with the vias on its way.

    Raises ChangeError where the net has no such end.
    """
    row, traces, vias = net_of(board, net), board.traces, board.vias
    mine = np.flatnonzero(traces.net == row)
    here = np.flatnonzero(vias.net == row)
    tips = np.stack([np.stack([traces.x0, traces.y0], -1), np.stack([traces.x1, traces.y1], -1)], axis=1)
    gone_traces, gone_vias = set[int](), set[int]()

    def beside(trace: int, side: int) -> tuple[list[int], list[int], bool]:
        """Traces and vias that meet one end of a trace, and whether a pin's pad or an area does."""
        layer, point = int(traces.layer[trace]), shapely.Point(tips[trace, side])
        others = mine[(traces.layer[mine] == layer) & (mine != trace)]
        others = others[shapely.dwithin(traces.lines[others], point, np.maximum(traces.width[others] / 2, SAME))]
        holes = here[(vias.first[here] <= layer) & (vias.last[here] >= layer)]
        near = np.hypot(vias.x[holes] - point.x, vias.y[holes] - point.y) <= vias.drill[holes] / 2 + SAME
        met = [r for r in others.tolist() if r not in gone_traces]
        return met, [v for v in holes[near].tolist() if v not in gone_vias], _holds(board, row, layer, point)

    free = [
        (round(float(np.hypot(*(tips[t, side] - at))), 9), t, side)
        for t in mine.tolist()
        for side in (0, 1)
        if beside(t, side) == ([], [], False)
    ]
    if not free:
        raise ChangeError(f"no trace of {net} leads nowhere")
    _, trace, side = min(free)
    while True:
        gone_traces.add(trace)
        others, holes, held = beside(trace, 1 - side)
        holes = [v for v in holes if vias.pin[v] < 0]
        if held or len(others) + len(holes) != 1:
            break
        if holes:
            following = _through(board, row, holes[0], gone_traces)
            if following is None:
                break
            gone_vias.add(holes[0])
            trace = following
            centre = np.array([vias.x[holes[0]], vias.y[holes[0]]])
        else:
            trace, centre = others[0], tips[trace, 1 - side]
        side = int(np.argmin(np.hypot(*(tips[trace] - centre).T)))
        if np.hypot(*(tips[trace, side] - centre)) > max(float(traces.width[trace]), 0.3e-3):
            break  # it joins on the way of the other, which goes on
    kept = np.zeros(len(traces), dtype=bool)
    kept[sorted(gone_traces)] = True
    drilled = np.zeros(len(vias), dtype=bool)
    drilled[sorted(gone_vias)] = True
    length = float(traces.length[sorted(gone_traces)].sum())
    note = f"{length * 1e3:.3g} mm of trace taken away{' with its vias' if gone_vias else ''}."
    return Changed(without(board, traces=kept, vias=drilled if gone_vias else None), (note,))


def _holds(board: Board, net: int, layer: int, point: shapely.Point) -> bool:
    """Whether a pad of a part or an area of the net lies at a point."""
    pads, areas = board.pads, board.areas
    on = (pads.net == net) & (pads.layer == layer) & (pads.pin >= 0)
    under = (areas.net == net) & (areas.layer == layer)
    return bool(
        shapely.dwithin(pads.shape[on], point, SAME).any() or shapely.dwithin(areas.shape[under], point, SAME).any()
    )


def _through(board: Board, net: int, via: int, gone: set[int]) -> int | None:
    """The one trace that goes on from a via; None where none, several, an area or a pin's pad is there."""
    vias, traces = board.vias, board.traces
    point = shapely.Point(vias.x[via], vias.y[via])
    layers = range(int(vias.first[via]), int(vias.last[via]) + 1)
    if any(_holds(board, net, layer, point) for layer in layers):
        return None
    on: NDArray[np.int64] = np.flatnonzero((traces.net == net) & np.isin(traces.layer, list(layers)))
    on = on[shapely.dwithin(traces.lines[on], point, float(vias.drill[via]) / 2 + SAME)]
    rest = [r for r in on.tolist() if r not in gone]
    return rest[0] if len(rest) == 1 else None


def drill_out(board: Board, rules: Rules, *, net: str, at: tuple[float, float], first: int, last: int) -> Changed:
    """The via of a net nearest to `at` (m) keeps its copper from layer `first` to `last` only: what lies beyond is
    drilled out.

    Raises ChangeError where copper of the net hangs on what would go, or the via does not reach as far.
    """
    layer_of(board, first)
    layer_of(board, last)
    row, vias, pads = net_of(board, net), board.vias, board.pads
    mine = np.flatnonzero((vias.net == row) & (vias.pin < 0) & vias.plated)
    if not len(mine):
        raise ChangeError(f"{net} has no via")
    via = int(mine[np.argmin(np.round(np.hypot(vias.x[mine] - at[0], vias.y[mine] - at[1]), 9))])
    if not vias.first[via] <= first <= last <= vias.last[via] or (first, last) == (vias.first[via], vias.last[via]):
        raise ChangeError(f"the via of {net} at {place_mm(*at)} has no end beyond layers {first + 1} to {last + 1}")
    point, reach = shapely.Point(vias.x[via], vias.y[via]), float(vias.drill[via]) / 2
    for layer in [k for k in range(int(vias.first[via]), int(vias.last[via]) + 1) if not first <= k <= last]:
        for table, shapes in ((board.traces, board.traces.shapes), (board.areas, board.areas.shape)):
            on = (table.net == row) & (table.layer == layer)
            if shapely.dwithin(shapes[on], point, reach).any():
                raise ChangeError(f"copper of {net} on {board.layer_label(layer)} hangs on that end of the via")
    ends = vias.replace(
        first=np.where(np.arange(len(vias)) == via, first, vias.first),
        last=np.where(np.arange(len(vias)) == via, last, vias.last),
    )
    gone = (pads.via == via) & ((pads.layer < first) | (pads.layer > last))
    done = without(dataclasses.replace(board, vias=ends), pads=gone)
    return Changed(done, (f"Drilling leaves some {LEFT_OVER * 1e3:g} mm of the end, which is not counted.",))
