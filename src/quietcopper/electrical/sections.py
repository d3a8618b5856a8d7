"""Cross-sections of traces as the copper around them really lies, and the lines' impedance solved on them.

A run is cut across at a point. What is cut: the trace itself, filled copper beside it on its layer, traces beside it,
and downwards and upwards the copper of layer after layer until one is unbroken as far as it matters. Broken layers
come in as finite pieces, the first unbroken one as a plane. Everything is rounded so that like places share a section.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import shapely

from quietcopper.board import Traces
from quietcopper.board.model import Bools, Floats, Ints, Names
from quietcopper.electrical.chains import find_chains, main_references
from quietcopper.electrical.cover import Stretches, cover, directions_at, points_at
from quietcopper.electrical.gaps import runs_in_own_antipads
from quietcopper.electrical.section_stack import UNIT, Content, Piece, cross_section
from quietcopper.electrical.tables import GROUND, SIGNAL, SUPPLY, Runs
from quietcopper.electrical.tiles import Index, area_layers, layer_copper
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.fields.section import CrossSection
from quietcopper.fields.section_solver import Solution, solve_many
from quietcopper.units import MICRON

# How far copper is looked for, from the trace's edge, in distances to the reference. Own solutions (w 0.35 mm,
# h 0.2 mm, er 4.3): pour on both sides 4 h away lowers the impedance by 0.28 %, the plane's end 3 h away raises it by
# 0.19 %.
POUR_REACH, EDGE_REACH = 4.0, 3.0
POUR_STEP, EDGE_STEP = 0.03, 0.05  # of height over distance, see _place: 0.2 % in the same lines' impedance at most
BARE_REACH = 3e-3  # m; for a trace without any reference, whose return is the copper beside it
NARROWEST = 20e-6  # m; narrower pieces of copper, and half as narrow openings, are rounding in the data
ALONG = 0.94  # cosine of the angle up to which a trace beside another runs along with it (20°)
POSITIONS = (0.25, 0.5, 0.75)  # a run's section is the one found at most of these


BRIEF = 50  # a run is that many times shorter than the edge on it when it is not solved
FASTEST = 1.8e8  # m/s; hardly a line in laminate is faster


@dataclass(frozen=True, eq=False)
class Cut:
    """A cross-section and where it was cut.

    run : row of the runs; x, y : the point; across : unit vector along which the section's x grows
    section : None where there is none, and `reason` then says why
    traces : row in board.traces of each line, the run's own first; neighbours that are part of `grounds` not counted
    areas : rows in board.areas of the copper at reference potential, planes included, sorted
    below, above : layers of the unbroken planes, -1 for none, as the board lies; flipped : the section is described
    upside down, because the reference is above
    """

    run: int
    x: float
    y: float
    across: tuple[float, float]
    section: CrossSection | None
    reason: str
    traces: tuple[int, ...]
    areas: tuple[int, ...]
    below: int
    above: int
    flipped: bool


@dataclass(frozen=True, eq=False)
class LineTable:
    """Each run's line as solved, shape (runs,): z0 in ohm, er_effective, delay in s/m; nan where not solved.

    section : index into `sections` and `solutions`, -1 for none; reason : why a run was not solved, "" otherwise
    """

    z0: Floats
    er_effective: Floats
    delay: Floats
    section: Ints
    reason: Names
    sections: tuple[CrossSection, ...]
    solutions: tuple[Solution | None, ...]


def cut_section(
    view: View, run: int, position: float = 0.5, *, with_pour: bool = True, with_neighbours: bool = False
) -> Cut:
    """The cross-section of a run (row of view.runs) at a share of its length.

    with_neighbours : traces of other signal nets that run along within reach become lines of their own; traces of
    ground and supply nets count as reference with the pour
    """
    cuts = _Cuts(view, view.runs, np.array([run]), np.array([position]), with_pour, with_neighbours)
    content, reason = cuts.content(0)
    section = None
    if content is not None:
        try:
            section = cross_section(view.board, content, view.settings.etch)
        except OutOfRange as problem:
            content, reason = None, str(problem)
    return Cut(
        run=run,
        x=float(cuts.x[0]),
        y=float(cuts.y[0]),
        across=(float(cuts.nx[0]), float(cuts.ny[0])),
        section=section,
        reason=reason,
        traces=(int(view.runs.trace[run]), *cuts.beside[0]),
        areas=tuple(sorted({*cuts.planes[0], *cuts.pieces_of[0]})),
        below=-1 if content is None else content.below,
        above=-1 if content is None else content.above,
        flipped=content is not None and content.flipped(view.board),
    )


def distinct_sections(view: View, runs: Runs, rows: Index) -> tuple[tuple[CrossSection, ...], Ints, Names]:
    """The different cross-sections of some runs: sections, index of each run's section (-1 none), and why it has none.

    Each run is cut at POSITIONS and the section found most often counts (of equals the one nearer to the middle).
    Places are rounded as coarsely as their influence on the impedance allows (0.2 %).
    """
    middle_first = sorted(POSITIONS, key=lambda p: abs(p - 0.5))
    n = len(middle_first)
    cuts = _Cuts(view, runs, np.repeat(rows, n), np.tile(middle_first, len(rows)), True, False)
    known: dict[Content, int] = {}
    reasons = np.full(len(rows), "", dtype=object)
    index = np.full(len(rows), -1, dtype=np.int32)
    for i in range(len(rows)):
        found = [cuts.content(i * n + k) for k in range(n)]
        contents = [content for content, _ in found if content is not None]
        if not contents:
            reasons[i] = found[0][1]
            continue
        content = Counter(contents).most_common(1)[0][0]  # of equals the one met first
        index[i] = known.setdefault(content, len(known))
    sections: dict[CrossSection, int] = {}  # the two outer layers of a board may have the same ones
    place = np.full(len(known) + 1, -1, dtype=np.int32)
    for content, number in known.items():
        try:
            section = cross_section(view.board, content, view.settings.etch)
        except OutOfRange as problem:
            reasons[index == number] = str(problem)
            continue
        place[number] = sections.setdefault(section, len(sections))
    return tuple(sections), place[index], reasons


def _brief(view: View) -> Bools:
    """Runs far shorter than their net's edge that are not the longest of their net and layer, shape (runs,)."""
    runs = view.runs
    edge = np.array([driver.rise for driver in view.drivers]) * FASTEST
    brief = runs.length < edge[runs.net] / BRIEF
    order = np.lexsort((-np.round(runs.length, 9), runs.layer, runs.net))
    first = np.ones(len(order), dtype=np.bool_)
    first[1:] = (np.diff(runs.net[order]) != 0) | (np.diff(runs.layer[order]) != 0)
    # All that are as long as the longest: which of them comes first must not decide.
    longest = np.zeros(len(runs))
    longest[order] = np.maximum.accumulate(np.where(first, np.arange(len(order)), 0))
    brief &= np.round(runs.length, 9) < np.round(runs.length[order[longest.astype(np.int64)]], 9)
    return brief


def line_table(view: View) -> LineTable:
    """Impedance, effective permittivity and delay of every run of a signal net, solved on its cross-section.

    Runs shorter than the distance to their trace's main reference, or within the antipad of their own hole, are no
    lines and are not solved; nor are ground and supply nets, nor runs shorter than a fiftieth of their net's edge,
    which reflect at most a twenty-fifth of what a long one would. The longest of each net and layer is always solved.
    """
    board, runs = view.board, view.runs
    signal = np.array([role.kind == SIGNAL for role in view.roles], dtype=np.bool_)[runs.net]
    main = main_references(board, runs, find_chains(board))
    height = np.zeros(len(runs))
    for row, (own, other) in enumerate(zip(runs.layer.tolist(), main[runs.trace].tolist(), strict=True)):
        height[row] = board.distance(min(own, other), max(own, other)) if other >= 0 else 0.0
    short = runs.length < height
    reason = np.full(len(runs), "", dtype=object)
    reason[~signal] = "not a signal net"
    reason[signal & short] = "shorter than the distance to its reference"
    at_hole = runs_in_own_antipads(board, runs, main)
    reason[signal & at_hole] = "within the antipad of its own hole"
    brief = signal & ~short & ~at_hole & _brief(view)
    reason[brief] = "too short against its net's edge to matter"
    rows = np.flatnonzero(signal & ~short & ~brief & ~at_hole)
    sections, section, why = distinct_sections(view, runs, rows)
    reason[rows] = why
    solved = solve_many(list(sections), cache=view.sections)
    failed = np.array([str(s) if isinstance(s, OutOfRange) else "" for s in solved] + [""], dtype=object)
    reason[rows] = np.where(section >= 0, failed[section], reason[rows])
    values = np.full((len(sections) + 1, 3), np.nan)
    for i, solution in enumerate(solved):
        if isinstance(solution, Solution):
            values[i] = solution.impedance(), solution.er_effective(), solution.delay()
    out = np.full((len(runs), 3), np.nan)
    out[rows] = values[section]
    of_run = np.full(len(runs), -1, dtype=np.int32)
    of_run[rows] = section
    return LineTable(
        z0=out[:, 0],
        er_effective=out[:, 1],
        delay=out[:, 2],
        section=of_run,
        reason=reason,
        sections=sections,
        solutions=tuple(None if isinstance(s, OutOfRange) else s for s in solved),
    )


class _Span(NamedTuple):
    """Copper met along a cut: from where to where (m, 0 on the trace's centre), and the rows of its areas."""

    left: float
    right: float
    areas: frozenset[int]


class _Cuts:
    """Many cuts at once: points, and for each the copper met on its own layer and above and below it."""

    def __init__(
        self, view: View, runs: Runs, rows: Index, positions: Floats, with_pour: bool, with_neighbours: bool
    ) -> None:
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
        self.lines: list[list[tuple[int, int]]] = [[] for _ in range(count)]
        self.beside: list[list[int]] = [[] for _ in range(count)]
        self.touched = np.zeros(count, dtype=np.bool_)
        self.below, self.above = self._planes(+1), self._planes(-1)
        gap = runs.reference_gap[rows]
        self._reach = np.where(np.isfinite(gap), POUR_REACH * np.where(np.isfinite(gap), gap, 0.0), BARE_REACH)
        if with_pour:
            self._pour()
        fixed = np.array([role.kind in (GROUND, SUPPLY) for role in view.roles], dtype=np.bool_)
        if with_pour or with_neighbours:
            self._neighbours(view, fixed, with_pour, with_neighbours)

    def content(self, i: int) -> tuple[Content | None, str]:
        """What was cut at one place, rounded, and of its two mirror images the first; or why there is none."""
        if self.touched[i]:
            return None, "copper of another net touches the trace"
        below, above = int(self.below[i]), int(self.above[i])
        if below < 0 and above < 0 and not self.pieces[i]:
            return None, "no copper within reach carries the return"
        width = round(self.width[i] / MICRON)
        return Content.of(int(self.layer[i]), width, below, above, self.pieces[i], self.lines[i]), ""

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
                height = np.array([self._height(own, int(layer)) for own in self.layer[rows].tolist()])
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

    def _neighbours(self, view: View, fixed: Bools, as_ground: bool, as_lines: bool) -> None:
        """Traces that run along within reach: of ground and supply nets as reference, of others as lines."""
        traces = self._board.traces
        half = self.width / 2 + self._reach
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
        for row, one, at in zip(
            cut[parallel].tolist(), trace[parallel].tolist(), place[parallel].tolist(), strict=True
        ):
            width, height = self.width[row], self._reach[row] / POUR_REACH
            a, b = at - traces.width[one] / 2, at + traces.width[one] / 2
            near = _place(a if at > 0 else b, width, height, POUR_STEP)
            wide = round(traces.width[one] / UNIT)
            left, right = (near, near + wide) if at > 0 else (near - wide, near)
            if a < width / 2 and b > -width / 2:
                self.touched[row] = True
            elif fixed[traces.net[one]]:
                self.pieces[row] = _united(self.pieces[row], Piece(int(self.layer[row]), left, right))
            else:
                self.lines[row].append((left, right))
                self.beside[row].append(one)


def _openings(spans: list[_Span], low: float, high: float) -> list[tuple[float, float]]:
    """Where a cut from `low` to `high` is not covered, m; openings of rounding size left out."""
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
    elif step == POUR_STEP and beyond > UNIT:
        beyond = height * float(np.exp(round(float(np.log(beyond / height)) / 0.0075) * 0.0075))
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
