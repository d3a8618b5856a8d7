"""Traces of a net made as wide as there is room for, up to a width. Lengths in m."""

from __future__ import annotations

import dataclasses

import numpy as np
import shapely
from numpy.typing import NDArray

from quietcopper.board import Board
from quietcopper.board.model import Floats
from quietcopper.changes.base import Changed, ChangeError, Rules, layer_of, net_of
from quietcopper.changes.room import Room
from quietcopper.changes.tables import added
from quietcopper.changes.traces import settled

NOTICED = 1.05  # times as wide; less is no change
STEP = 0.5e-3  # m of a straight trace that get one width
GRID = 0.05e-3  # m, of widths
Index = NDArray[np.int64]


def widen_traces(board: Board, rules: Rules, *, net: str, layer: int, width: float) -> Changed:
    """The traces of a net on a layer that are narrower than `width` (m) get it, or as much of it as there is room for
    beside foreign traces, pads and holes, piece by piece. Areas of other nets give way.

    Raises ChangeError where none can be wider.
    """
    layer_of(board, layer)
    row, traces = net_of(board, net), board.traces
    mine = np.flatnonzero((traces.net == row) & (traces.layer == layer) & (traces.width < width))
    if not len(mine):
        raise ChangeError(f"{net} has no trace narrower than {width * 1e3:.3g} mm on {board.layer_label(layer)}")
    of, start, stop, lines = _pieces(board, mine)
    room = 2 * (_to_foreign(board, rules, row, layer, lines, width) - rules.spacing)
    stepped = np.where(room >= width, width, GRID * np.floor(room / GRID + 1e-6))
    new = np.maximum(stepped, traces.width[mine[of]])
    if not (new > NOTICED * traces.width[mine[of]]).any():
        raise ChangeError(f"other copper leaves no room for wider traces of {net} on {board.layer_label(layer)}")
    first = np.r_[True, (np.diff(of) != 0) | (np.abs(np.diff(new)) > 1e-9)]
    last = np.r_[first[1:], True]
    owner, begin, end, wide = mine[of[first]], start[first], stop[last], new[first]
    full = float((end - begin)[wide >= width - 1e-9].sum())
    note = f"{full * 1e3:.3g} of {float(traces.length[mine].sum()) * 1e3:.3g} mm get all of {width * 1e3:.3g} mm."
    changed = _parted(board, owner, begin, end, wide)
    touched = np.r_[np.unique(owner), np.arange(len(traces), len(changed.traces))]
    return Changed(settled(board, changed, touched, rules, rules.spacing), (note,))


def _pieces(board: Board, rows: Index) -> tuple[Index, Floats, Floats, np.ndarray]:
    """Straight traces in pieces of at most STEP, arcs whole: which of `rows`, from and to along it (m), its line."""
    traces = board.traces
    count = np.where(traces.turn[rows] == 0, np.maximum(np.ceil(traces.length[rows] / STEP), 1), 1).astype(np.int64)
    of = np.repeat(np.arange(len(rows)), count)
    nth = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    step = (traces.length[rows] / count)[of]
    ends = _ends(board, rows[of], nth / count[of], (nth + 1) / count[of])
    lines = shapely.linestrings(ends)
    whole = traces.turn[rows[of]] != 0
    lines[whole] = traces.lines[rows[of[whole]]]
    return of, nth * step, (nth + 1) * step, lines


def _ends(board: Board, rows: Index, low: Floats, high: Floats) -> Floats:
    """Both ends of parts of straight traces, from `low` to `high` of each: shape (n, 2, 2)."""
    traces = board.traces
    a, b = np.stack([traces.x0, traces.y0], -1)[rows], np.stack([traces.x1, traces.y1], -1)[rows]
    return np.stack([a + (b - a) * low[:, None], a + (b - a) * high[:, None]], axis=1)


def _parted(board: Board, owner: Index, begin: Floats, end: Floats, wide: Floats) -> Board:
    """The board with traces taken apart into pieces of their own widths; the first piece keeps its row."""
    traces = board.traces
    length = np.maximum(traces.length[owner], 1e-12)
    ends = _ends(board, owner, begin / length, end / length)
    head = np.r_[True, np.diff(owner) != 0]
    x0, y0, x1, y1, width = (getattr(traces, n).copy() for n in ("x0", "y0", "x1", "y1", "width"))
    rows, straight = owner[head], traces.turn[owner[head]] == 0
    width[rows] = wide[head]
    at = ends[head][straight]
    x0[rows[straight]], y0[rows[straight]] = at[:, 0].T
    x1[rows[straight]], y1[rows[straight]] = at[:, 1].T
    more = [
        (traces.net[r], traces.layer[r], *a.tolist(), *b.tolist(), np.nan, np.nan, 0, w)
        for r, (a, b), w in zip(owner[~head], ends[~head], wide[~head], strict=True)
    ]
    kept = traces.replace(x0=x0, y0=y0, x1=x1, y1=y1, width=width)
    return dataclasses.replace(board, traces=added(kept, more))


def _to_foreign(board: Board, rules: Rules, net: int, layer: int, lines: np.ndarray, width: float) -> Floats:
    """Distance of centre lines from what is in the way of a net on a layer, m; what lies further counts as just
    beyond reach."""
    there, reach = Room(board, rules).layers[layer], width / 2 + rules.spacing
    line, thing = there.tree.query(lines, predicate="dwithin", distance=reach)
    foreign = (there.net[thing] != net) | (there.net[thing] == 0)
    out = shapely.distance(lines, board.outline.boundary)
    np.minimum.at(out, line[foreign], shapely.distance(lines[line[foreign]], there.shape[thing[foreign]]))
    return np.asarray(np.minimum(out, reach))
