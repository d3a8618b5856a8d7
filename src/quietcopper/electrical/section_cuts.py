"""Cuts across traces: what copper each meets beside, above and below, rounded as coarsely as it may be."""

from __future__ import annotations

import math
from collections import defaultdict
from typing import Any, NamedTuple

import numpy as np
import shapely

from quietcopper.board import Traces
from quietcopper.board.model import Bools, Floats, Ints
from quietcopper.electrical.cover import Stretches, cover, directions_at, points_at
from quietcopper.electrical.section_stack import UNIT, Content, Piece
from quietcopper.electrical.tables import GROUND, SUPPLY, Runs
from quietcopper.electrical.tiles import Index, area_layers, layer_copper
from quietcopper.electrical.view import View
from quietcopper.units import MICRON

# How far copper is looked for, from the trace's edge, in distances to the reference. Own solutions (w 0.35 mm,
# h 0.2 mm, er 4.3): pour on both sides 4 h away lowers the impedance by 0.28 %, the plane's end 3 h away raises it by
# 0.19 %, a quiet line 2.5 h away lowers it by 0.13 %.
POUR_REACH, EDGE_REACH, LINE_REACH = 4.0, 3.0, 2.5
POUR_STEP, EDGE_STEP = 0.03, 0.05  # of height over distance, see _place: 0.2 % in the same lines' impedance at most
LINE_STEP = 0.01  # the same for lines: their coupling to 0.5 % at a gap of one height
BARE_REACH = 3e-3  # m; for a trace without any reference, whose return is the copper beside it
NARROWEST = 20e-6  # m; narrower pieces of copper, and half as narrow openings, are rounding in the data
ALONG = 0.94  # cosine of the angle up to which a trace beside another runs along with it (20°)
OWN_BEYOND = 0.1  # of the width: filled copper of its own net that reaches further beyond a trace is the conductor
MOST_LINES = 8  # solved together: the line itself and its nearest neighbours


class _Span(NamedTuple):
    """Copper met along a cut: from where to where (m, 0 on the trace's centre), and the rows of its areas."""

    left: float
    right: float
    areas: frozenset[int]


class _Line(NamedTuple):
    """A trace of another signal beside the cut one: from where to where in units of UNIT, and its row."""

    left: int
    right: int
    trace: int


class Cuts:
    """Many cuts at once: points, and for each the copper met on its own layer and above and below it."""

    def __init__(
        self, view: View, runs: Runs, rows: Ints | Index, positions: Floats, with_pour: bool, line_reach: float | None,
        least_reach: float = 0.0,
    ) -> None:  # fmt: skip
        """positions : share of each run's length; line_reach : distances to the reference up to which traces of other
        signals are lines of the section, and least_reach (m) in any case; None for none of them"""
        self._board, self._runs, self._rows = view.board, runs, rows
        trace = runs.trace[rows].astype(np.int64)
        along = runs.start[rows] + (runs.stop[rows] - runs.start[rows]) * positions
        self.x, self.y = points_at(view.board.traces, trace, along)
        ux, uy = directions_at(view.board.traces, trace, along)
        self.nx, self.ny = -uy, ux
        self._ux, self._uy = ux, uy
        self.layer, self.net, self.width = runs.layer[rows], runs.net[rows], runs.width[rows]
        count = len(rows)
        self.pieces: list[list[Piece]] = [[] for _ in range(count)]
        self.pieces_of: list[set[int]] = [set() for _ in range(count)]
        self.planes: list[set[int]] = [set() for _ in range(count)]
        self.lines: list[list[_Line]] = [[] for _ in range(count)]
        self._contents: dict[tuple[Any, ...], Content] = {}
        self.touched = np.zeros(count, dtype=np.bool_)
        self.in_own = self._in_own()
        self.below, self.above = self._planes(+1), self._planes(-1)
        gap = runs.reference_gap[rows]
        self._reach = np.where(np.isfinite(gap), POUR_REACH * np.where(np.isfinite(gap), gap, 0.0), BARE_REACH)
        if with_pour:
            self._pour()
        fixed = np.array([role.kind in (GROUND, SUPPLY) for role in view.roles], dtype=np.bool_)
        if with_pour or line_reach is not None:
            self._neighbours(view, fixed, with_pour, line_reach, least_reach)

    def content(self, i: int) -> tuple[Content | None, str]:
        """What was cut at one place, rounded, and of its two mirror images the first; or why there is none."""
        if self.in_own[i]:
            return None, "within wider filled copper of its own net"
        if self.touched[i]:
            return None, "copper of another net touches the trace"
        below, above = int(self.below[i]), int(self.above[i])
        if below < 0 and above < 0 and not self.pieces[i]:
            return None, "no copper within reach carries the return"
        lines = tuple((line.left, line.right) for line in self.lines[i])
        met = int(self.layer[i]), round(self.width[i] / MICRON), below, above, tuple(self.pieces[i]), lines
        content = self._contents.get(met)
        if content is None:
            content = self._contents[met] = Content.of(*met)
        return content, ""

    def beside(self, i: int) -> tuple[int, ...]:
        """Rows in board.traces of a content's further lines, in its order."""
        return tuple(line.trace for line in self.lines[i])

    def _in_own(self) -> Bools:
        """Cuts where the trace lies in filled copper of its own net that is wider than the trace."""
        areas = self._board.areas
        rows = np.flatnonzero(np.isin(areas.net, self.net) & np.isin(areas.layer, self.layer))
        found = np.zeros((3, len(self.x)), dtype=np.bool_)
        if not len(rows):
            return found[0]
        tree = shapely.STRtree(areas.shape[rows])
        beyond = (0.5 + OWN_BEYOND) * self.width
        for at, aside in zip(found, (0.0 * beyond, beyond, -beyond), strict=True):
            places = shapely.points(self.x + self.nx * aside, self.y + self.ny * aside)
            cut, met = tree.query(places, predicate="within")
            area = rows[met]
            at[cut[(areas.net[area] == self.net[cut]) & (areas.layer[area] == self.layer[cut])]] = True
        return found[0] & (found[1] | found[2])

    def _met(self, layer: int, rows: Index, low: Floats, high: Floats) -> dict[int, list[_Span]]:
        """Copper of a layer along the cuts from `low` to `high` (m, 0 on the trace's centre), by cut."""
        copper = layer_copper(self._board, layer)
        nan, n = np.full(len(rows), np.nan), len(rows)
        lines = Traces(
            net=self.net[rows],
            layer=np.full(n, layer, dtype=np.int32),
            x0=self.x[rows] + self.nx[rows] * low,
            y0=self.y[rows] + self.ny[rows] * low,
            x1=self.x[rows] + self.nx[rows] * high,
            y1=self.y[rows] + self.ny[rows] * high,
            xc=nan,
            yc=nan,
            turn=np.zeros(n, dtype=np.int32),
            width=np.zeros(n),
        )
        found = cover(copper, lines, Stretches.of(lines), lines.net)
        met: dict[int, list[_Span]] = defaultdict(list)
        for line, start, stop, value in zip(
            found.trace.tolist(), found.start.tolist(), found.stop.tolist(), found.value.tolist(), strict=True
        ):
            if value < 0:
                continue
            row, area = int(rows[line]), int(copper.rows[value])
            a, b = start + low[line], stop + low[line]
            if met[row] and a - met[row][-1].right <= NARROWEST / 2:
                before = met[row].pop()
                met[row].append(_Span(before.left, b, before.areas | {area}))
            else:
                met[row].append(_Span(a, b, frozenset({area})))
        return met

    def _planes(self, step: int) -> Ints:
        """Layer of the first unbroken plane in one direction for each cut, -1 none; broken layers leave pieces.

        Behind a broken layer only what its openings show counts, and as much beside them as the layers are apart. If
        it covers the trace and its own height on both sides, its end changes the impedance by 1 % at most, and the
        next copper behind it is taken as unbroken.
        """
        out = np.full(len(self.x), -1, dtype=np.int32)
        bears = area_layers(self._board)
        waiting = np.arange(len(self.x))
        covered = np.zeros(len(self.x), dtype=np.bool_)
        shown = np.stack([np.full(len(self.x), -np.inf), np.full(len(self.x), np.inf), np.zeros(len(self.x))])
        for distance in range(1, len(self._board.layers)):
            looked_at = self.layer[waiting] + step * distance
            done = [waiting[(looked_at < 0) | (looked_at >= len(self._board.layers))]]
            for layer in np.unique(looked_at):
                if not (0 <= layer < len(self._board.layers) and bears[layer]):
                    continue
                rows = waiting[looked_at == layer]
                heights = {own: self._height(own, int(layer)) for own in set(self.layer[rows].tolist())}
                height = np.array([heights[own] for own in self.layer[rows].tolist()])
                reach = self.width[rows] / 2 + EDGE_REACH * height
                beside = height - shown[2, rows]
                low = np.maximum(shown[0, rows] - beside, -reach)
                high = np.minimum(shown[1, rows] + beside, reach)
                met = self._met(int(layer), rows, low, high)
                for k, row in enumerate(rows.tolist()):
                    spans, cut = met.get(row, []), (float(low[k]), float(high[k]))
                    openings = _openings(spans, *cut)
                    if not openings or (covered[row] and spans):
                        out[row] = layer
                        self.planes[row] |= frozenset().union(*(span.areas for span in spans))
                        continue
                    self._keep(row, int(layer), spans, cut, float(height[k]), EDGE_STEP, 10 * float(height[k]))
                    if spans:  # a layer without copper here hides nothing
                        left = -np.inf if openings[0][0] <= -reach[k] else openings[0][0]
                        right = np.inf if openings[-1][1] >= reach[k] else openings[-1][1]
                        shown[:, row] = left, right, height[k]
                        core = self.width[row] / 2 + height[k]
                        covered[row] |= any(a <= -core and b >= core for a, b, _ in spans)
                done.append(rows[out[rows] >= 0])
            waiting = np.setdiff1d(waiting, np.concatenate(done))
        return out

    def _height(self, own: int, other: int) -> float:
        return self._board.distance(min(own, other), max(own, other))

    def _keep(
        self,
        row: int,
        layer: int,
        spans: list[_Span],
        cut: tuple[float, float],
        height: float,
        step: float,
        beyond: float,
    ) -> None:
        """Pieces of a broken layer; those that reach an end of the cut go on by `beyond` (m) from there."""
        width = self.width[row]
        kept: list[Piece] = []
        for a, b, areas in spans:
            if b - a < NARROWEST:
                continue
            left = _place(a, width, height, step) if a > cut[0] + MICRON else round((a - beyond) / UNIT)
            right = _place(b, width, height, step) if b < cut[1] - MICRON else round((b + beyond) / UNIT)
            if right <= left:
                continue
            if kept and left <= kept[-1].right:  # far off, rounding may close the opening between two pieces
                left = kept.pop().left
            kept.append(Piece(layer, left, right))
            self.pieces_of[row] |= areas
        self.pieces[row] += kept

    def _pour(self) -> None:
        """Filled copper beside the trace on its own layer."""
        half = self.width / 2 + self._reach
        for layer in np.unique(self.layer):
            if not len(layer_copper(self._board, int(layer)).rows):
                continue
            rows = np.flatnonzero(self.layer == layer)
            for row, spans in self._met(int(layer), rows, -half[rows], half[rows]).items():
                edge, cut = self.width[row] / 2, (-float(half[row]), float(half[row]))
                self.touched[row] |= any(a < edge and b > -edge for a, b, _ in spans)
                self._keep(row, int(layer), spans, cut, self._reach[row] / POUR_REACH, POUR_STEP, cut[1])

    def _neighbours(self, view: View, fixed: Bools, as_ground: bool, line_reach: float | None, least: float) -> None:
        """Traces that run along within reach: of ground and supply nets as reference, of others as lines."""
        as_lines = line_reach is not None
        traces = self._board.traces
        lines = np.maximum((line_reach or 0.0) * self._reach / POUR_REACH, least)
        half = self.width / 2 + np.maximum(self._reach, lines)
        ends = np.stack(
            [self.x - self.nx * half, self.y - self.ny * half, self.x + self.nx * half, self.y + self.ny * half], axis=1
        )
        cut, trace = view.trace_tree.query(shapely.linestrings(ends.reshape(-1, 2, 2)), predicate="intersects")
        net = traces.net[trace]
        keep = (traces.layer[trace] == self.layer[cut]) & (net != self.net[cut])
        keep &= np.where(fixed[net], as_ground, as_lines)
        cut, trace = cut[keep], trace[keep]
        order = np.lexsort((trace, cut))
        cut, trace = cut[order], trace[order]
        along = shapely.line_locate_point(traces.lines[trace], shapely.points(self.x[cut], self.y[cut]))
        x, y = points_at(traces, trace, np.minimum(along, traces.length[trace]))
        ux, uy = directions_at(traces, trace, np.minimum(along, traces.length[trace]))
        parallel = np.abs(ux * self._ux[cut] + uy * self._uy[cut]) >= ALONG
        place = (x - self.x[cut]) * self.nx[cut] + (y - self.y[cut]) * self.ny[cut]
        from_edge = np.abs(place) - (traces.width[trace] + self.width[cut]) / 2
        parallel &= from_edge <= np.where(fixed[net[keep][order]], self._reach[cut], lines[cut]) + MICRON
        cut, trace, place = cut[parallel], trace[parallel], place[parallel]
        columns = (
            *(cut, trace, place, self.width[cut], self._reach[cut], lines[cut], traces.width[trace]),
            fixed[traces.net[trace]],
        )
        for row, one, at, width, reach, line_reach_here, other, reference in zip(
            *(column.tolist() for column in columns), strict=True
        ):
            a, b = at - other / 2, at + other / 2
            if a < width / 2 and b > -width / 2:
                self.touched[row] = True
                continue
            if min(abs(a), abs(b)) - width / 2 > (reach if reference else line_reach_here):
                continue
            near = _place(a if at > 0 else b, width, reach / POUR_REACH, POUR_STEP if reference else LINE_STEP)
            wide = round(other / UNIT)
            left, right = (near, near + wide) if at > 0 else (near - wide, near)
            if reference:
                self.pieces[row] = _united(self.pieces[row], Piece(int(self.layer[row]), left, right))
            else:
                self.lines[row].append(_Line(left, right, one))
        for row, lines_here in enumerate(self.lines):
            if lines_here:
                self.lines[row] = self._clear(row)

    def _clear(self, row: int) -> list[_Line]:
        """Lines that can be solved: pieces of one line as one, none in copper at reference, only the nearest."""
        merged: list[_Line] = []
        for line in sorted(self.lines[row]):
            if merged and line.left - merged[-1].right < NARROWEST / UNIT:
                before = merged.pop()
                line = _Line(before.left, max(before.right, line.right), min(before.trace, line.trace))
            merged.append(line)
        own = [p for p in self.pieces[row] if p.layer == self.layer[row]]
        least = NARROWEST / UNIT
        free = [
            line
            for line in merged
            if not any(p.left <= line.right + least and line.left - least <= p.right for p in own)
        ]
        if len(free) < MOST_LINES:
            return free
        nearest = sorted(free, key=lambda line: (min(abs(line.left), abs(line.right)), line))[: MOST_LINES - 1]
        return sorted(nearest)


def _openings(spans: list[_Span], low: float, high: float) -> list[tuple[float, float]]:
    """Where a cut from `low` to `high` is not covered, m; openings of rounding size left out."""
    if len(spans) == 1 and spans[0].left - low <= NARROWEST / 2 and high - spans[0].right <= NARROWEST / 2:
        return []
    ends = [low, *(x for span in spans for x in (span.left, span.right)), high]
    return [(a, b) for a, b in zip(ends[::2], ends[1::2], strict=True) if b - a > NARROWEST / 2]


def _place(x: float, width: float, height: float, step: float) -> int:
    """A place on the cut in units of section_stack.UNIT, rounded as coarsely as its distance from the trace allows.

    Further than a quarter height from the trace's edge: in steps of height over distance, as its influence falls about
    with the square of the distance. Nearer: pour by less than a per cent of its distance, the end of a plane by 1 % of
    the height. Odd, so that mirrored cuts give mirrored places.
    """
    beyond = abs(x) - width / 2
    if beyond > height / 4:
        beyond = height / step / max(round(height / beyond / step), 1)
    elif step != EDGE_STEP and beyond > UNIT:
        beyond = height * math.exp(round(math.log(beyond / height) / 0.0075) * 0.0075)
    else:
        beyond = round(beyond / height / 0.01) * 0.01 * height
    size = round(width / MICRON) * round(MICRON / UNIT) // 2 + round(beyond / UNIT)
    return -size if x < 0 else size


def _united(pieces: list[Piece], new: Piece) -> list[Piece]:
    """Pieces with one more on the same layer, joined with those that it overlaps."""
    rest = []
    for piece in pieces:
        if piece.layer == new.layer and piece.left <= new.right and new.left <= piece.right:
            new = Piece(new.layer, min(piece.left, new.left), max(piece.right, new.right))
        else:
            rest.append(piece)
    return [*rest, new]
