"""Which filled copper lies over or under a trace, exactly split along its centre line.

A stretch is a part of one trace segment, from `start` to `stop` in metres along it. Crossings with area outlines are
computed directly (line with line, circle with line), then each interval between crossings is asked for at its middle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from quietcopper.board import Traces
from quietcopper.board.geometry import arc_points
from quietcopper.board.model import Floats, Ints, Shapes
from quietcopper.electrical.tiles import NEAR, Index, LayerCopper

CHUNK = 1e-3  # m; long slanting lines are searched in pieces so that their bounding boxes stay small


@dataclass(frozen=True, eq=False)
class Stretches:
    """Parts of trace segments: row in a Traces table, start and stop along it (m), value: what was found, -1 none."""

    trace: Index
    start: Floats
    stop: Floats
    value: Index

    def __len__(self) -> int:
        return len(self.trace)

    def take(self, index: NDArray[np.int64] | NDArray[np.bool_]) -> Stretches:
        return Stretches(self.trace[index], self.start[index], self.stop[index], self.value[index])

    @staticmethod
    def of(traces: Traces) -> Stretches:
        """All segments of some length, whole."""
        rows = np.flatnonzero(traces.length > NEAR)
        return Stretches(rows, np.zeros(len(rows)), traces.length[rows], np.full(len(rows), -1, dtype=np.int64))

    @staticmethod
    def joined(parts: list[Stretches]) -> Stretches:
        """All stretches in trace order, neighbours of one value made one."""
        if not parts:
            none = np.empty(0, dtype=np.int64)
            return Stretches(none, np.empty(0), np.empty(0), none)
        trace = np.concatenate([p.trace for p in parts])
        start = np.concatenate([p.start for p in parts])
        stop = np.concatenate([p.stop for p in parts])
        value = np.concatenate([p.value for p in parts])
        order = np.lexsort((start, trace))
        trace, start, stop, value = trace[order], start[order], stop[order], value[order]
        first = np.ones(len(trace), dtype=np.bool_)
        first[1:] = (trace[1:] != trace[:-1]) | (value[1:] != value[:-1]) | (start[1:] > stop[:-1] + NEAR)
        last = np.ones(len(trace), dtype=np.bool_)
        last[:-1] = first[1:]
        return Stretches(trace[first], start[first], stop[last], value[first])


def points_at(traces: Traces, row: Index, along: Floats) -> tuple[Floats, Floats]:
    """x and y of the points at a distance along trace segments (m), on the true arc where it is one."""
    length = traces.length[row]
    share = np.divide(along, length, out=np.zeros(len(row)), where=length > 0)
    x = traces.x0[row] + (traces.x1[row] - traces.x0[row]) * share
    y = traces.y0[row] + (traces.y1[row] - traces.y0[row]) * share
    arc = np.flatnonzero(traces.turn[row] != 0)
    if len(arc):
        rows = row[arc]
        radius = np.hypot(traces.x0[rows] - traces.xc[rows], traces.y0[rows] - traces.yc[rows])
        angle = np.arctan2(traces.y0[rows] - traces.yc[rows], traces.x0[rows] - traces.xc[rows])
        angle = angle + traces.turn[rows] * along[arc] / radius
        x[arc], y[arc] = traces.xc[rows] + radius * np.cos(angle), traces.yc[rows] + radius * np.sin(angle)
        at_end = np.abs(along[arc] - length[arc]) <= NEAR  # ends exactly as in the data
        x[arc[at_end]], y[arc[at_end]] = traces.x1[rows[at_end]], traces.y1[rows[at_end]]
    return x, y


def directions_at(traces: Traces, row: Index, along: Floats) -> tuple[Floats, Floats]:
    """Unit vectors along trace segments at a distance from their starts; (1, 0) for a segment of no length."""
    dx, dy = traces.x1[row] - traces.x0[row], traces.y1[row] - traces.y0[row]
    arc = np.flatnonzero(traces.turn[row] != 0)
    if len(arc):
        rows = row[arc]
        x, y = points_at(traces, rows, along[arc])
        dx[arc] = -(y - traces.yc[rows]) * traces.turn[rows]
        dy[arc] = (x - traces.xc[rows]) * traces.turn[rows]
    size = np.hypot(dx, dy)
    none = size == 0
    size[none] = 1.0
    return np.where(none, 1.0, dx / size), dy / size


def stretch_lines(traces: Traces, row: Index, start: Floats, stop: Floats) -> Shapes:
    """Centre lines of stretches as LineStrings, arcs flattened, shape (n,)."""
    x0, y0 = points_at(traces, row, start)
    x1, y1 = points_at(traces, row, stop)
    lines = shapely.linestrings(np.stack([np.stack([x0, y0], -1), np.stack([x1, y1], -1)], axis=1))
    out = np.empty(len(row), dtype=object)
    out[:] = lines
    for i in np.flatnonzero(traces.turn[row]):
        r = row[i]
        xc, yc, turn = float(traces.xc[r]), float(traces.yc[r]), int(traces.turn[r])
        ends = (float(x0[i]), float(y0[i]), float(x1[i]), float(y1[i]))
        out[i] = shapely.LineString(arc_points(*ends, xc, yc, turn))
    return out


def cover(copper: LayerCopper, traces: Traces, stretches: Stretches, skip_net: Ints) -> Stretches:
    """The stretches split where the area over or under them changes.

    skip_net : shape (rows of traces,): net whose areas do not count for that trace, 0 for none
    Returns stretches in the order given, each with the position in `copper.rows` of its area, -1 where there is none.
    Boundaries are exact to rounding; intervals shorter than NEAR are dropped.
    """
    if not len(copper.rows) or not len(stretches):
        return Stretches(stretches.trace, stretches.start, stretches.stop, np.full(len(stretches), -1, dtype=np.int64))
    of, along = _crossings(copper, traces, stretches, skip_net)
    inside = (along > stretches.start[of] + NEAR) & (along < stretches.stop[of] - NEAR)
    n = len(stretches)
    of = np.concatenate([np.arange(n), of[inside], np.arange(n)])
    along = np.concatenate([stretches.start, along[inside], stretches.stop])
    order = np.lexsort((along, of))
    of, along = of[order], along[order]
    fresh = np.ones(len(of), dtype=np.bool_)
    fresh[1:] = (of[1:] != of[:-1]) | (along[1:] - along[:-1] > NEAR)
    of, along = of[fresh], along[fresh]
    within = of[1:] == of[:-1]
    of, start, stop = of[:-1][within], along[:-1][within], along[1:][within]
    row = stretches.trace[of]
    x, y = points_at(traces, row, (start + stop) / 2)
    value = copper.at(x, y, skip_net[row])
    first = np.ones(len(of), dtype=np.bool_)
    first[1:] = (of[1:] != of[:-1]) | (value[1:] != value[:-1])
    last = np.ones(len(of), dtype=np.bool_)
    last[:-1] = first[1:]
    return Stretches(row[first], start[first], stop[last], value[first])


def _crossings(copper: LayerCopper, traces: Traces, stretches: Stretches, skip_net: Ints) -> tuple[Index, Floats]:
    """Where outlines cross stretches: index of the stretch and distance along its trace (m); some may be doubled."""
    row = stretches.trace
    arc = traces.turn[row] != 0
    parts = [
        search(copper, traces, stretches, skip_net, np.flatnonzero(chosen))
        for search, chosen in ((_straight, ~arc), (_arcs, arc))
        if chosen.any()
    ]
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])


def _pairs(copper: LayerCopper, boxes: Shapes, of: Index, skip: Ints) -> tuple[Index, Index]:
    """Pairs (stretch, boundary segment) whose boxes meet, without the outlines of areas of the skipped net."""
    box, edge = copper.edge_tree.query(boxes)
    net = copper.nets[copper.ring_area[copper.edge_ring[edge]]]
    keep = (net != skip[box]) | (skip[box] == 0)
    return of[box[keep]], edge[keep]


def _straight(
    copper: LayerCopper, traces: Traces, stretches: Stretches, skip_net: Ints, chosen: Index
) -> tuple[Index, Floats]:
    row, start, stop = stretches.trace[chosen], stretches.start[chosen], stretches.stop[chosen]
    x0, y0 = points_at(traces, row, start)
    x1, y1 = points_at(traces, row, stop)
    count = np.ceil(np.sqrt(np.abs((x1 - x0) * (y1 - y0))) / CHUNK).astype(np.int64).clip(1, 10_000)
    of = np.repeat(np.arange(len(chosen)), count)
    step = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    a, b = step / count[of], (step + 1) / count[of]
    ax, bx = x0[of] + (x1 - x0)[of] * a, x0[of] + (x1 - x0)[of] * b
    ay, by = y0[of] + (y1 - y0)[of] * a, y0[of] + (y1 - y0)[of] * b
    boxes = shapely.box(
        np.minimum(ax, bx) - NEAR, np.minimum(ay, by) - NEAR, np.maximum(ax, bx) + NEAR, np.maximum(ay, by) + NEAR
    )
    of, edge = _pairs(copper, boxes, of, skip_net[row[of]])
    # along the trace with a unit vector, across the edge: where side of the edge's ends against the trace changes
    length = np.hypot(x1 - x0, y1 - y0)
    ux, uy = ((x1 - x0) / length)[of], ((y1 - y0) / length)[of]
    e = copper.edges[edge]
    px, py, qx, qy = e[:, 0] - x0[of], e[:, 1] - y0[of], e[:, 2] - x0[of], e[:, 3] - y0[of]
    p_side, q_side = ux * py - uy * px, ux * qy - uy * qx
    p_along, q_along = ux * px + uy * py, ux * qx + uy * qy
    crosses = ((p_side > 0) != (q_side > 0)) & (p_side != q_side)
    share = np.divide(p_side, p_side - q_side, out=np.zeros(len(of)), where=crosses)
    at = p_along + (q_along - p_along) * share
    # ends of edges that lie on the line: crossings at corners and outlines that run along the trace
    p_on, q_on = np.abs(p_side) <= NEAR, np.abs(q_side) <= NEAR
    of = np.concatenate([of[crosses], of[p_on], of[q_on]])
    along = np.concatenate([at[crosses], p_along[p_on], q_along[q_on]])
    return chosen[of], along + start[of]


def _arcs(
    copper: LayerCopper, traces: Traces, stretches: Stretches, skip_net: Ints, chosen: Index
) -> tuple[Index, Floats]:
    row, start, stop = stretches.trace[chosen], stretches.start[chosen], stretches.stop[chosen]
    xc, yc, turn = traces.xc[row], traces.yc[row], traces.turn[row].astype(np.float64)
    radius = np.hypot(traces.x0[row] - xc, traces.y0[row] - yc)
    zero = np.arctan2(traces.y0[row] - yc, traces.x0[row] - xc)
    count = np.ceil((stop - start) / radius / (np.pi / 8)).astype(np.int64).clip(1, 16)
    of = np.repeat(np.arange(len(chosen)), count)
    step = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    part = (stop - start) / count
    x0, y0 = points_at(traces, row[of], start[of] + part[of] * step)
    x1, y1 = points_at(traces, row[of], start[of] + part[of] * (step + 1))
    bulge = (radius * (1 - np.cos(part / radius / 2)))[of] + NEAR
    boxes = shapely.box(
        np.minimum(x0, x1) - bulge,
        np.minimum(y0, y1) - bulge,
        np.maximum(x0, x1) + bulge,
        np.maximum(y0, y1) + bulge,
    )
    of, edge = _pairs(copper, boxes, of, skip_net[row[of]])
    e = copper.edges[edge]
    px, py = e[:, 0] - xc[of], e[:, 1] - yc[of]
    dx, dy = e[:, 2] - e[:, 0], e[:, 3] - e[:, 1]
    size = np.hypot(dx, dy)
    keep = size > 0
    of, px, py, dx, dy, size = of[keep], px[keep], py[keep], dx[keep], dy[keep], size[keep]
    dx, dy = dx / size, dy / size
    foot = -(px * dx + py * dy)  # of the centre on the edge, along the edge
    off = np.abs(px * dy - py * dx)
    half = np.sqrt(np.maximum(radius[of] ** 2 - off**2, 0.0))
    half = np.where(off > radius[of] + NEAR, np.nan, half)  # a circle that touches within rounding touches
    found_of, found = [], []
    for root in (foot - half, foot + half):
        on = (root >= -NEAR) & (root <= size + NEAR)
        x, y = px[on] + dx[on] * root[on], py[on] + dy[on] * root[on]
        o = of[on]
        angle = np.mod((np.arctan2(y, x) - zero[o]) * turn[o], 2 * np.pi)
        found_of.append(o)
        found.append(angle * radius[o])
    return chosen[np.concatenate(found_of)], np.concatenate(found)
