"""Coupling of lines that run side by side, solved on the section as cut there, all lines within reach together."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from weakref import WeakKeyDictionary

import numpy as np
import shapely
from shapely import LineString

from quietcopper.board.model import Floats, Ints
from quietcopper.electrical.neighbours import HEIGHTS, SMALLEST_REACH
from quietcopper.electrical.section_cuts import Cuts
from quietcopper.electrical.section_stack import Content, cross_section
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.fields.section import CrossSection, Strip
from quietcopper.fields.section_solver import Solution, solve, solve_many

SLOWEST = 7e-9  # s/m; no line in laminate is much slower
GRIDDED = 14  # points of a curve of coupling over spacing
GRID = 5e-6  # m; proposed spacings are rounded to this, well below what is etched


@dataclass(frozen=True)
class Coupling:
    """A stretch that two nets share on a layer. kb : near-end coefficient; kf : far end, s/m; delay : s/m of line a.

    trace_a, trace_b : rows in board.traces; nets : of the lines of `section`, net_a's first; other : which of them is
    net_b's; solution : of the section, all its lines together
    """

    net_a: int
    net_b: int
    trace_a: int
    trace_b: int
    layer: int
    length: float
    spacing: float
    kb: float
    kf: float
    delay: float
    x: float
    y: float
    line: LineString
    section: CrossSection
    solution: Solution
    nets: tuple[int, ...]
    other: int


def run_at(view: View, trace: Ints, x: Floats, y: Floats) -> Ints:
    """Row in view.runs of the piece of each trace that lies nearest to a point."""
    runs = view.runs
    along = shapely.line_locate_point(view.board.traces.lines[trace], shapely.points(x, y))
    order = np.lexsort((runs.start, runs.trace))
    # Runs are kept by trace and start; a key that orders both finds the last that begins at or before the point.
    longest = float(view.board.traces.length.max()) + 1.0
    keys = runs.trace[order] * longest + runs.start[order]
    found = np.searchsorted(keys, trace * longest + along + 1e-12, side="right") - 1
    return order[np.clip(found, 0, len(order) - 1)].astype(np.int32)


def beside(section: CrossSection, width: float, spacing: float) -> CrossSection:
    """The section of one line with a second one of the given width beside it, at that distance edge to edge."""
    line = section.lines[0]
    x = line.x + (line.width + width) / 2 + spacing
    return replace(section, lines=(line, replace(line, x=x, width=width)))


@dataclass(frozen=True)
class Asked:
    """Which stretches side by side are asked for. driven : nets; paired : the two lines of each pair, which are left
    out; least : share of the swing that a stretch must be able to couple; of : only stretches of these nets with any
    other, None for all; mixed : only with nets that are none of these"""

    driven: frozenset[int]
    paired: frozenset[frozenset[int]]
    least: float
    of: frozenset[int] | None = None
    mixed: bool = False


@dataclass(frozen=True, eq=False)
class _Stretches:
    """Rows of view.neighbours that can matter, the nets of each, what a cut in its middle meets (content, nets of its
    lines, which of them is the other's; None where it meets nothing), and the sections by content."""

    rows: Ints
    nets: Ints
    met: list[tuple[Content, tuple[int, ...], int] | None]
    sections: dict[Content, CrossSection | None]


_CUT: WeakKeyDictionary[View, dict[Asked, _Stretches]] = WeakKeyDictionary()


def _stretches(view: View, asked: Asked) -> _Stretches:
    """The stretches asked for, cut once a view."""
    kept = _CUT.setdefault(view, {})
    if asked not in kept:
        kept[asked] = _cut(view, asked)
    return kept[asked]


def _cut(view: View, asked: Asked) -> _Stretches:
    board, near = view.board, view.neighbours
    traces, runs = board.traces, view.runs
    nets = np.stack([traces.net[near.a], traces.net[near.b]], -1)
    keep = np.isin(nets, sorted(asked.driven)).all(axis=1)
    keep &= np.array([frozenset(pair) not in asked.paired for pair in nets.tolist()], dtype=np.bool_)
    if asked.of is not None:
        one = np.isin(nets, sorted(asked.of))
        keep &= one.any(axis=1) & ~(asked.mixed & one.all(axis=1))
    run = run_at(view, near.a, near.x, near.y)
    height = runs.reference_gap[run]
    centre = near.spacing + (traces.width[near.a] + traces.width[near.b]) / 2
    ceiling = 1 / (1 + np.where(np.isfinite(height), centre / height, 0.0) ** 2)
    swing = np.array([driver.swing for driver in view.drivers])
    rise = np.array([driver.rise for driver in view.drivers])
    fastest = np.minimum(rise[nets[:, 0]], rise[nets[:, 1]])
    ratio = swing[nets].max(axis=1) / np.maximum(swing[nets].min(axis=1), 1e-9)
    edges = near.length * SLOWEST / fastest  # shared length in edges: the far end grows with it
    keep &= ceiling * np.maximum(np.minimum(1.0, 2 * edges), edges) * ratio > asked.least
    rows = np.flatnonzero(keep).astype(np.int32)
    points = shapely.points(near.x[rows], near.y[rows])
    along = shapely.line_locate_point(traces.lines[near.a[rows]], points)
    share = np.clip((along - runs.start[run[rows]]) / runs.length[run[rows]], 0.0, 1.0)
    cuts = Cuts(view, runs, run[rows], share, True, HEIGHTS, SMALLEST_REACH)
    met = [_meeting(view, cuts, k, int(near.b[row])) for k, row in enumerate(rows.tolist())]
    sections: dict[Content, CrossSection | None] = {}
    for found in met:
        if found is not None and found[0] not in sections:
            sections[found[0]] = _section(view, found[0])
    return _Stretches(rows, nets, met, sections)


def coupled_sections(view: View, asked: Asked) -> list[CrossSection]:
    """The cross-sections that `couplings` solves."""
    if not len(view.neighbours):
        return []
    return [section for section in _stretches(view, asked).sections.values() if section is not None]


def couplings(view: View, asked: Asked) -> tuple[list[Coupling], int]:
    """All shared stretches of driven nets that can matter, solved, and how many could not be.

    Skipped: the two lines of a pair, and stretches that by the ceiling 1/(1 + (D/H)²) of Johnson and Graham (from
    memory; 2.6 to 3.6 times the true figure) stay below `least` of the swing at either end. Pour beside and between
    the lines and other lines within reach are in the section, as they lie in the middle of the stretch.
    """
    near, traces = view.neighbours, view.board.traces
    if not len(near):
        return [], 0
    cut = _stretches(view, asked)
    rows, nets, found = cut.rows, cut.nets, cut.met
    usable = [content for content, section in cut.sections.items() if section is not None]
    solved = dict(
        zip(usable, solve_many([s for s in cut.sections.values() if s is not None], cache=view.sections), strict=True)
    )
    out, unsolved = [], 0
    for met, row in zip(found, rows.tolist(), strict=True):
        solution = solved.get(met[0]) if met is not None else None
        if met is None or not isinstance(solution, Solution):
            unsolved += 1
            continue
        _, own, other = met
        out.append(
            Coupling(
                int(nets[row, 0]),
                int(nets[row, 1]),
                int(near.a[row]),
                int(near.b[row]),
                int(traces.layer[near.a[row]]),
                float(near.length[row]),
                float(near.spacing[row]),
                solution.near_end_coupling(0, other),
                solution.far_end_coupling(0, other),
                solution.delay(0),
                float(near.x[row]),
                float(near.y[row]),
                near.line[row],
                solution.section,
                solution,
                own,
                other,
            )
        )
    out.sort(key=lambda c: (c.net_a, c.net_b, c.layer, round(c.x, 9), round(c.y, 9)))
    return out, unsolved


def _meeting(view: View, cuts: Cuts, k: int, trace: int) -> tuple[Content, tuple[int, ...], int] | None:
    """What one cut met, the nets of its lines, and which of them is that of the trace; None where it is not there."""
    content, _ = cuts.content(k)
    if content is None:
        return None
    net = view.board.traces.net
    own = (int(cuts.net[k]), *(int(net[row]) for row in cuts.beside(k)))
    wanted = int(net[trace])
    places = [i for i in range(1, len(own)) if own[i] == wanted]
    if not places:
        return None
    nearest = min(places, key=lambda i: min(abs(edge) for edge in content.lines[i - 1]))
    return content, own, nearest


def _section(view: View, content: Content) -> CrossSection | None:
    try:
        return cross_section(view.board, content, view.settings.etch)
    except OutOfRange:
        return None


def at_spacing_for(coupling: Coupling, factor: float) -> Coupling | None:
    """The same stretch at the spacing where its near-end coupling falls to `factor` of what it is, the two lines alone.

    The spacing is read off the curve of coupling over spacing, of which only the points around it are solved (GRIDDED
    from a tenth of the line's height to 20 heights), rounded up to the grid, and the stretch solved there.
    None when even 20 heights between the lines do not reach it, or the solver does not cover one of the points.
    """
    line, other = coupling.section.lines[0], coupling.section.lines[coupling.other]
    planes = tuple(g for g in coupling.section.grounds if abs(g.y - line.y) > 1e-7)  # pour gives way
    single = replace(coupling.section, lines=(line,), grounds=planes)
    spacings = _height(single, line) * np.geomspace(0.1, 20.0, GRIDDED)
    wanted = coupling.kb * factor

    def kb_at(i: int) -> float:
        return _solved(beside(single, other.width, float(spacings[i]))).near_end_coupling(0, 1)

    try:
        low = max(int(np.searchsorted(spacings, coupling.spacing, side="right")) - 1, 0)
        high = GRIDDED - 1
        if low >= high or wanted < kb_at(high):
            return None
        at = float(spacings[low])
        if wanted < kb_at(low):
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (middle, high) if wanted < kb_at(middle) else (low, middle)
            # in logarithms the curve is nearly straight
            share = np.log(kb_at(low) / wanted) / np.log(kb_at(low) / kb_at(high))
            at = float(spacings[low] * (spacings[high] / spacings[low]) ** share)
        spacing = float(np.ceil(max(at, coupling.spacing) / GRID) * GRID)
        section = beside(single, other.width, spacing)
        solution = _solved(section)
    except OutOfRange:
        return None
    kb, kf = solution.near_end_coupling(0, 1), solution.far_end_coupling(0, 1)
    nets = (coupling.net_a, coupling.net_b)
    return replace(
        coupling, spacing=spacing, kb=kb, kf=kf, section=section, solution=solution, nets=nets, other=1
    )  # fmt: skip


_solved = lru_cache(maxsize=1024)(solve)


def _height(section: CrossSection, line: Strip) -> float:
    """Distance of a line from the nearer plane of its section, m; its width where the section has none."""
    top = sum(sheet.thickness for sheet in section.sheets)
    heights = [line.y] if section.plane_below else []
    if section.plane_above:
        heights.append(top - line.y - line.thickness)
    return min((h for h in heights if h > 0), default=line.width)
