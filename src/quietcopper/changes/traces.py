"""Traces changed: their width, their place, the space between them. Lengths in m."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from quietcopper.board import Board
from quietcopper.board.model import Floats
from quietcopper.changes.base import Changed, ChangeError, Rules, layer_of, net_of, place_mm
from quietcopper.changes.habits import fill_clearance
from quietcopper.changes.push import SAME, Pushed
from quietcopper.changes.room import Room, give_way

Index = NDArray[np.int64]


def set_width(
    board: Board, rules: Rules, *, net: str, layer: int, width: float, at: Sequence[tuple[float, float]] = ()
) -> Changed:
    """All traces of a net on a layer get a width, or only those at some places (m). Areas of other nets give way where
    they would be too near.

    Raises ChangeError for a width below the rules' or where other copper is in the way.
    """
    layer_of(board, layer)
    row = net_of(board, net)
    if width < rules.width:
        raise ChangeError(
            f"{width * 1e3:.3g} mm is narrower than the narrowest trace allowed, {rules.width * 1e3:g} mm"
        )
    mine = (board.traces.net == row) & (board.traces.layer == layer)
    if not mine.any():
        raise ChangeError(f"{net} has no trace on {board.layer_label(layer)}")
    if at:
        there = np.flatnonzero(mine)
        near, _ = shapely.STRtree(shapely.points(np.asarray(at))).query(
            board.traces.lines[there], predicate="dwithin", distance=SAME
        )
        mine[np.setdiff1d(there, there[near])] = False
        if not mine.any():
            raise ChangeError(f"{net} has no trace on {board.layer_label(layer)} at {place_mm(*at[0])}")
    changed = dataclasses.replace(board, traces=board.traces.replace(width=np.where(mine, width, board.traces.width)))
    return Changed(settled(board, changed, np.flatnonzero(mine), rules, rules.spacing))


def shift_trace(
    board: Board, rules: Rules, *, net: str, layer: int, at: tuple[float, float], by: tuple[float, float]
) -> Changed:
    """The straight stretch of a net's trace nearest to `at` (m) is moved by the part of `by` (m) across it.

    The traces at its ends follow along their own lines; at a pad or via a 45° piece is put in. Areas of other nets give
    way. Raises ChangeError for a stretch that branches or is too short, or where other copper is in the way.
    """
    layer_of(board, layer)
    row, traces = net_of(board, net), board.traces
    mine = np.flatnonzero((traces.net == row) & (traces.layer == layer) & (traces.turn == 0) & (traces.length > 0))
    if not len(mine):
        raise ChangeError(f"{net} has no straight trace on {board.layer_label(layer)}")
    nearest = int(mine[np.argmin(np.round(shapely.distance(traces.lines[mine], shapely.Point(at)), 9))])
    pushed = Pushed(board)
    pushed.push(nearest, np.asarray(by, dtype=float))
    return Changed(settled(board, pushed.board(), pushed.touched, rules, fill_clearance(board, rules.spacing)))


def set_spacing(board: Board, rules: Rules, *, net: str, layer: int, spacing: float) -> Changed:
    """A net's trace and those that run along beside it on a layer are moved apart to `spacing` (m), edge to edge; the
    others keep the distances that they have among themselves."""
    layer_of(board, layer)
    row = net_of(board, net)
    return _spread(board, rules, _beside(board, row, layer, spacing), layer, spacing, row)


def spread_bundle(board: Board, rules: Rules, *, nets: Sequence[str], layer: int, spacing: float) -> Changed:
    """Traces of some nets that run along beside each other on a layer are moved apart to `spacing` (m), edge to edge.

    Raises ChangeError where nothing runs closer, or where there is no room.
    """
    layer_of(board, layer)
    rows = [net_of(board, name) for name in nets]
    return _spread(board, rules, rows, layer, spacing, None)


def _beside(board: Board, net: int, layer: int, spacing: float) -> list[int]:
    """The net and all that run within the spacing of it, or of one of those."""
    traces = board.traces
    rows = np.flatnonzero((traces.layer == layer) & (traces.turn == 0) & (traces.length > 2 * spacing))
    a, b = side_by_side(board, rows, spacing)
    known, todo = {net}, [net]
    while todo:
        one = todo.pop()
        more = {*traces.net[b[traces.net[a] == one]].tolist(), *traces.net[a[traces.net[b] == one]].tolist()} - known
        known |= more
        todo += sorted(more)
    return sorted(known)


def side_by_side(board: Board, rows: Index, spacing: float) -> tuple[Index, Index]:
    """Pairs of straight traces of different nets that run parallel, closer than the spacing, along a common stretch."""
    traces = board.traces
    lines = traces.lines[rows]
    i, j = shapely.STRtree(lines).query(
        lines, predicate="dwithin", distance=spacing + float(traces.width[rows].max(initial=0))
    )
    keep = (i < j) & (traces.net[rows[i]] != traces.net[rows[j]])
    i, j = i[keep], j[keep]
    a, b = rows[i], rows[j]
    start = np.stack([traces.x0, traces.y0], -1)
    along = np.stack([traces.x1 - traces.x0, traces.y1 - traces.y0], -1) / np.maximum(traces.length, 1e-12)[:, None]
    normal = np.stack([-along[:, 1], along[:, 0]], -1)
    parallel = np.abs((along[a] * along[b]).sum(-1)) > np.cos(np.radians(1.0))
    apart = np.abs(((start[b] - start[a]) * normal[a]).sum(-1))
    from_, to = _extent(board, b, start[a], along[a])
    common = np.minimum(to, traces.length[a]) - np.maximum(from_, 0.0)
    close = apart - (traces.width[a] + traces.width[b]) / 2 < spacing - 1e-7
    keep = parallel & close & (common > spacing) & (apart > 1e-7)
    return a[keep], b[keep]


def _extent(board: Board, rows: Index, origin: Floats, along: Floats) -> tuple[Floats, Floats]:
    traces = board.traces
    one = ((np.stack([traces.x0[rows], traces.y0[rows]], -1) - origin) * along).sum(-1)
    two = ((np.stack([traces.x1[rows], traces.y1[rows]], -1) - origin) * along).sum(-1)
    return np.minimum(one, two), np.maximum(one, two)


def _spread(board: Board, rules: Rules, nets: Sequence[int], layer: int, spacing: float, only: int | None) -> Changed:
    """only : the net that wants the spacing, the other pairs keep what they have; None: every pair wants it."""
    traces = board.traces
    rows = np.flatnonzero(
        (traces.layer == layer) & np.isin(traces.net, nets) & (traces.turn == 0) & (traces.length > 2 * spacing)
    )
    a, b = side_by_side(board, rows, spacing)
    if not len(a) or (only is not None and not ((traces.net[a] == only) | (traces.net[b] == only)).any()):
        raise ChangeError(
            f"on {board.layer_label(layer)} none of these lines runs closer than {spacing * 1e3:.3g} mm beside another"
        )
    reason: ChangeError | None = None
    for share in (0.5, 0.0, 1.0):  # how much of the spreading goes to the lower side
        try:
            pushed = Pushed(board)
            for group in _groups(a, b):
                _push_apart(pushed, group, a, b, spacing, share, only)
            return Changed(settled(board, pushed.board(), pushed.touched, rules, fill_clearance(board, rules.spacing)))
        except ChangeError as e:
            reason = reason or e
    assert reason is not None
    raise reason


def _groups(a: Index, b: Index) -> list[Index]:
    """Rows that belong together through the pairs, each group sorted."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    rows = np.unique(np.concatenate([a, b]))
    i, j = np.searchsorted(rows, a), np.searchsorted(rows, b)
    _, label = connected_components(coo_array((np.ones(len(i)), (i, j)), shape=(len(rows),) * 2), directed=False)
    return [rows[label == n] for n in range(int(label.max(initial=-1)) + 1)]


def _push_apart(
    pushed: Pushed, group: Index, a: Index, b: Index, spacing: float, share: float, only: int | None
) -> None:
    """Move the parallel traces of a group so that each pair has its distance."""
    traces = pushed.original.traces
    first = int(group[np.argmax(np.round(traces.length[group], 9))])
    along = np.array([traces.x1[first] - traces.x0[first], traces.y1[first] - traces.y0[first]])
    along /= np.hypot(*along)
    if (along[0], along[1]) < (0.0, 0.0):
        along = -along
    normal = np.array([-along[1], along[0]])
    middle = np.stack([(traces.x0 + traces.x1)[group], (traces.y0 + traces.y1)[group]], -1) / 2
    offset = middle @ normal
    order = np.lexsort((group, np.round(offset, 9)))
    rank = {int(row): n for n, row in enumerate(group[order])}
    offset = offset[order]
    need: list[tuple[int, int, float]] = []
    for one, two in zip(a.tolist(), b.tolist(), strict=True):
        if one in rank and two in rank:
            low, high = sorted((rank[one], rank[two]))
            wanted = (traces.width[one] + traces.width[two]) / 2 + spacing
            if only is not None and only not in (traces.net[one], traces.net[two]):
                wanted = min(wanted, offset[high] - offset[low])
            need.append((low, high, wanted))
    up, down = offset.copy(), offset.copy()
    for low, high, wanted in sorted(need, key=lambda n: (n[1], n[0])):
        up[high] = max(up[high], up[low] + wanted)
    for low, high, wanted in sorted(need, key=lambda n: (-n[0], -n[1])):
        down[low] = min(down[low], down[high] - wanted)
    new = share * down + (1 - share) * up
    # from the outside inwards, so that no line is pushed through another
    moves = new - offset
    for i in sorted(range(len(moves)), key=lambda i: (-abs(round(moves[i], 9)), i)):
        if abs(moves[i]) > 1e-8:
            pushed.push(int(group[order[i]]), moves[i] * normal)


def settled(old: Board, new: Board, rows: Index, rules: Rules, clearance: float) -> Board:
    """The new board with areas out of the way of the changed traces (rows of it).

    Raises ChangeError where they come closer to foreign copper than the rules allow, unless it was as close before.
    """
    traces = new.traces
    room = Room(new, rules)
    copper: list[Sequence[shapely.Geometry]] = [[] for _ in new.layers]
    for layer in np.unique(traces.layer[rows]).tolist():
        here = rows[traces.layer[rows] == layer]
        there = room.layers[layer]
        for row in here.tolist():
            shape, net = traces.shapes[row], int(traces.net[row])
            near = there.near(shape, rules.spacing - 1e-7)
            near = near[(there.net[near] != net) | (there.net[near] == 0)]
            before = np.inf
            if row < len(old.traces):
                before = float(shapely.distance(old.traces.shapes[row], there.shape[near]).min(initial=np.inf))
            if len(near) and shapely.distance(shape, there.shape[near]).min() < min(before, rules.spacing) - 1e-7:
                closest = there.shape[near[int(np.argmin(shapely.distance(shape, there.shape[near])))]]
                x, y = shapely.get_coordinates(shapely.shortest_line(shape, closest))[1]
                other = new.nets[there.net[near[0]]] or "other copper"
                raise ChangeError(
                    f"{new.nets[net]} would come closer than {rules.spacing * 1e3:g} mm to {other} at {place_mm(x, y)}"
                )
        copper[layer] = traces.shapes[here].tolist()
    out = new
    for net in np.unique(traces.net[rows]).tolist():
        mine = [
            traces.shapes[rows[(traces.layer[rows] == layer) & (traces.net[rows] == net)]].tolist()
            for layer in range(len(new.layers))
        ]
        out = give_way(out, net, mine, clearance)
    return out
