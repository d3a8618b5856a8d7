"""The two lines of a pair led with another width and another gap where they run side by side. Lengths in m."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from quietcopper.board import Board
from quietcopper.changes.base import Changed, ChangeError, Rules, layer_of, nets_of
from quietcopper.changes.habits import fill_clearance
from quietcopper.changes.push import Pushed
from quietcopper.changes.traces import settled, side_by_side

BESIDE = 4.0  # times width and gap, from middle to middle: lines further apart are not led as a pair


def set_pair(board: Board, rules: Rules, *, nets: Sequence[str], layer: int, width: float, gap: float) -> Changed:
    """Two nets' traces on a layer get a width, and where they run side by side each moves half of what the gap from
    edge to edge wants. Areas of other nets give way.

    Raises ChangeError where they do not run side by side, or other copper is in the way.
    """
    layer_of(board, layer)
    rows = nets_of(board, nets)
    if len(rows) != 2:
        raise ChangeError(f"a pair has two nets, found {len(rows)}")
    if width < rules.width or gap < rules.spacing:
        raise ChangeError(f"{width * 1e3:.3g} mm wide and {gap * 1e3:.3g} mm apart is finer than the rules allow")
    traces = board.traces
    mine = np.flatnonzero((traces.layer == layer) & np.isin(traces.net, rows))
    straight = mine[(traces.turn[mine] == 0) & (traces.length[mine] > width + gap)]
    a, b = side_by_side(board, straight, BESIDE * (width + gap))
    if not len(a):
        raise ChangeError(f"{nets[0]} and {nets[1]} do not run side by side on {board.layer_label(layer)}")
    pushed = Pushed(board)
    moved: set[int] = set()
    for k in np.lexsort((a, -np.round(np.minimum(traces.length[a], traces.length[b]), 9))).tolist():
        one, other = int(a[k]), int(b[k])
        if one in moved or other in moved:
            continue
        moved.update((*pushed.stretch_of(one), *pushed.stretch_of(other)))
        start = np.array([traces.x0[one], traces.y0[one]])
        along = np.array([traces.x1[one], traces.y1[one]]) - start
        normal = np.array([-along[1], along[0]]) / np.hypot(*along)
        apart = float((np.array([traces.x0[other], traces.y0[other]]) - start) @ normal)
        by = np.sign(apart) * (width + gap - abs(apart)) / 2
        if abs(by) > 1e-8:
            pushed.push(other, by * normal)
            pushed.push(one, -by * normal)
    new = pushed.board()
    pieces = np.union1d(pushed.touched, mine)
    widths = new.traces.width.copy()
    widths[pieces] = width
    new = dataclasses.replace(new, traces=new.traces.replace(width=widths))
    return Changed(settled(board, new, pieces, rules, fill_clearance(board, rules.spacing)))
