"""Runs cut where their cross-section changes: pour that begins beside them, a plane's end that nears, a neighbour.

A run is looked at in steps of a pitch; where two neighbouring looks differ, the place of the change is found by halves.
What lies between two looks is not seen, and in a run of less than three pitches the section met most often counts.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from shapely.ops import substring

from quietcopper.board.model import Bools, Floats, Ints, Names, Shapes, Table, column
from quietcopper.electrical.section_cuts import LINE_REACH, Cuts
from quietcopper.electrical.section_stack import Content, cross_section
from quietcopper.electrical.tables import Runs
from quietcopper.electrical.tiles import Index
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.fields.section import CrossSection

FEWEST, MOST = 3, 100  # looks at a run
HALVINGS = 3  # of a step, to find where the section changes: an eighth of it


@dataclass(frozen=True, eq=False)
class Parts(Table):
    """Stretches of runs with one cross-section each, ordered by run and place.

    run : row of the runs; start, stop : distance along its trace, m; section : index of the section; flipped : whether
    that describes the place upside down
    z0 : ohm, er_effective, delay : s/m, nan where the section could not be solved
    """

    run: Ints = column(np.int32)
    start: Floats = column(np.float64)
    stop: Floats = column(np.float64)
    section: Ints = column(np.int32)
    flipped: Bools = column(np.bool_)
    z0: Floats = column(np.float64)
    er_effective: Floats = column(np.float64)
    delay: Floats = column(np.float64)

    @property
    def length(self) -> Floats:
        return self.stop - self.start

    def solved(self, values: Floats) -> Parts:
        """With the figures of each section, (sections + 1, 3)."""
        z0, er_effective, delay = values[self.section].T
        return replace(self, z0=z0, er_effective=er_effective, delay=delay)

    def by_run(self) -> Iterator[tuple[int, Ints]]:
        """Each run with the rows of its parts."""
        runs, first = np.unique(self.run, return_index=True)
        last = np.append(first[1:], len(self.run))[: len(runs)]
        for run, a, b in zip(runs.tolist(), first, last, strict=True):
            yield run, np.arange(a, b, dtype=np.int32)


def part_lines(view: View, rows: Ints) -> Shapes:
    """Centre lines of parts (rows of the line table's), shape (rows,)."""
    parts, runs, traces = view.line_table.parts, view.runs, view.board.traces
    ends = zip(traces.lines[runs.trace[parts.run[rows]]], parts.start[rows], parts.stop[rows], strict=True)
    return np.array([substring(line, low, high) for line, low, high in ends], dtype=object)


@dataclass
class _Stretch:
    """Looks at a run from one to another (numbers, inclusive) that found one content, and its ends on the run, m."""

    content: Content
    low: float
    high: float


def cut_along(
    view: View, runs: Runs, rows: Index, pitch: Floats
) -> tuple[Parts, tuple[CrossSection, ...], Names]:  # fmt: skip
    """Runs (rows of `runs`) in stretches of one cross-section: parts without figures, the different sections, and why a
    run has none ("" where it has).

    pitch : m, of each row: length that a change must hold on for
    """
    length = runs.length[rows]
    looks = np.clip(np.floor(length / pitch + 1e-6), FEWEST, MOST).astype(np.int64)
    which = np.repeat(np.arange(len(rows)), looks)
    number = np.arange(len(which)) - np.repeat(np.cumsum(looks) - looks, looks)
    cuts = Cuts(view, runs, rows[which], (number + 0.5) / looks[which], True, LINE_REACH)
    reasons = np.full(len(rows), "", dtype=object)
    found: list[list[_Stretch]] = []
    at = 0
    for i, count in enumerate(looks.tolist()):
        contents = [cuts.content(at + k) for k in range(count)]
        at += count
        met = [None if content is None else content.plain() for content, _ in contents]
        if all(content is None for content in met):
            reasons[i] = contents[count // 2][1]
            found.append([])
            continue
        found.append(_stretches(met, float(length[i]), float(pitch[i])))
    _refine(view, runs, rows, length / looks, found)
    return _numbered(view, runs, rows, found, reasons)


def _stretches(met: list[Content | None], length: float, pitch: float) -> list[_Stretch]:
    """Looks put together; what is shorter than the pitch goes to the nearest stretch that is not."""
    if met[0] is not None and met.count(met[0]) == len(met):
        return [_Stretch(met[0], 0.0, length)]
    step = length / len(met)
    groups: list[tuple[Content | None, int, int]] = []
    for k, content in enumerate(met):
        if groups and groups[-1][0] == content:
            groups[-1] = (content, groups[-1][1], k + 1)
        else:
            groups.append((content, k, k + 1))
    kept = [g for g in groups if g[0] is not None and (g[2] - g[1]) * step >= pitch * (1 - 1e-6)]
    if not kept:
        return [_Stretch(_most_common(met), 0.0, length)]
    out: list[_Stretch] = []
    for n, (content, _, last) in enumerate(kept):
        assert content is not None
        low = out[-1].high if out else 0.0
        # what lies between two stretches is shared between them
        high = (last + kept[n + 1][1]) / 2 * step if n + 1 < len(kept) else length
        if out and out[-1].content == content:
            out[-1].high = high
        else:
            out.append(_Stretch(content, low, high))
    return out


def _most_common(met: list[Content | None]) -> Content:
    """The content met most often; of equals the one nearest to the middle, and then the first by its figures."""
    middle = (len(met) - 1) / 2
    count = Counter(content for content in met if content is not None)
    nearest = {content: min(abs(k - middle) for k, c in enumerate(met) if c == content) for content in count}
    return min(count, key=lambda c: (-count[c], nearest[c], c.below, c.above, c.pieces, c.lines))


def _refine(view: View, runs: Runs, rows: Index, step: Floats, found: list[list[_Stretch]]) -> None:
    """Moves the ends between stretches to where the section changes, by halving, all at once."""
    ends = [(i, k) for i, stretches in enumerate(found) for k in range(len(stretches) - 1)]
    if not ends:
        return
    run = np.array([rows[i] for i, _ in ends])
    length = runs.length[run]
    half = np.array([step[i] / 2 for i, _ in ends])
    place = np.array([found[i][k].high for i, k in ends])
    lowest = np.array([found[i][k].low for i, k in ends])
    highest = np.array([found[i][k + 1].high for i, k in ends])
    for _ in range(HALVINGS):
        cuts = Cuts(view, runs, run, np.clip(place / length, 0.0, 1.0), True, LINE_REACH)
        half = half / 2
        for n, (i, k) in enumerate(ends):
            content, _ = cuts.content(n)
            plain = None if content is None else content.plain()
            # on the near side's section: the change comes later; on the far side's: it came before
            place[n] += half[n] * ((plain == found[i][k].content) - float(plain == found[i][k + 1].content))
    place = np.clip(place, lowest + 1e-9, highest - 1e-9)
    for n, (i, k) in enumerate(ends):
        found[i][k].high = found[i][k + 1].low = float(place[n])


def _numbered(
    view: View, runs: Runs, rows: Index, found: list[list[_Stretch]], reasons: Names
) -> tuple[Parts, tuple[CrossSection, ...], Names]:
    sections: dict[CrossSection, int] = {}  # the two outer layers of a board may have the same ones
    number: dict[Content, int] = {}
    turned: dict[Content, bool] = {}
    problem: dict[Content, str] = {}
    out: list[tuple[int, float, float, int, bool]] = []
    for i, stretches in enumerate(found):
        row = int(rows[i])
        base = float(runs.start[row])
        for stretch in stretches:
            content = stretch.content
            if content not in number and content not in problem:
                try:
                    section = cross_section(view.board, content, view.settings.etch)
                    turned[content] = content.flipped(view.board)
                    number[content] = sections.setdefault(section, len(sections))
                except OutOfRange as reason:
                    problem[content] = str(reason)
            if content in number:
                out.append((row, base + stretch.low, base + stretch.high, number[content], turned[content]))
            elif not reasons[i]:
                reasons[i] = problem[content]
    order = sorted(out)
    columns = list(zip(*order, strict=True)) if order else [()] * 5
    run_, start, stop, section_, flipped = (np.array(c) for c in columns)
    nan = np.full(len(order), np.nan)
    parts = Parts(
        run_.astype(np.int32),
        start.astype(float),
        stop.astype(float),
        section_.astype(np.int32),
        flipped.astype(np.bool_),
        nan,
        nan,
        nan,
    )
    has = np.isin(rows, parts.run)
    reasons[has] = ""
    return parts, tuple(sections), reasons
