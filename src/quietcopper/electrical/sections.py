"""Cross-sections of traces as the copper around them really lies, and the lines' impedance solved on them.

A run is cut across at a point. What is cut: the trace itself, filled copper beside it on its layer, traces beside it
(those of other signals are lines of the same section, up to eight in all),
and downwards and upwards the copper of layer after layer until one is unbroken as far as it matters. Broken layers
come in as finite pieces, the first unbroken one as a plane. Everything is rounded so that like places share a section.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietcopper.board.model import Bools, Floats, Ints, Names
from quietcopper.electrical.chains import find_chains, main_references
from quietcopper.electrical.gaps import runs_in_own_antipads
from quietcopper.electrical.section_cuts import POUR_REACH, Cuts
from quietcopper.electrical.section_parts import Parts, cut_along
from quietcopper.electrical.section_stack import cross_section
from quietcopper.electrical.tables import SIGNAL
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.fields.section import CrossSection
from quietcopper.fields.section_solver import Solution, solve_many
from quietcopper.units import C0

BRIEF = 50  # a stretch is that many times shorter than the edge on it when it is no line of its own
FASTEST = 1.8e8  # m/s; hardly a line in laminate is faster
# why a run is not solved that is no line of its own: what it is part of goes on through it
NEAR_REFERENCE = "shorter than the distance to its reference"
AT_HOLE = "within the antipad of its own hole"
BRIEF_ON_EDGE = "too short against its net's edge to matter"
NO_LINE_OF_ITS_OWN = (NEAR_REFERENCE, AT_HOLE, BRIEF_ON_EDGE)
FINEST = 2.0  # heights over the reference; fields of changes nearer to each other than this are one


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

    z0, er_effective, section : of the cross-section that the run has over most of its length (section -1 for none, an
    index into `sections` and `solutions`); delay : the mean over its parts; reason : why a run was not solved, else ""
    parts : the stretches of one cross-section each that solved runs are made of
    """

    z0: Floats
    er_effective: Floats
    delay: Floats
    section: Ints
    reason: Names
    parts: Parts
    sections: tuple[CrossSection, ...]
    solutions: tuple[Solution | None, ...]


def cut_section(
    view: View, run: int, position: float = 0.5, *, with_pour: bool = True, with_neighbours: bool = False
) -> Cut:
    """The cross-section of a run (row of view.runs) at a share of its length.

    with_neighbours : traces of other signal nets that run along within reach become lines of their own; traces of
    ground and supply nets count as reference with the pour
    """
    reach = POUR_REACH if with_neighbours else None
    cuts = Cuts(view, view.runs, np.array([run]), np.array([position]), with_pour, reach)
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
        traces=(int(view.runs.trace[run]), *cuts.beside(0)),
        areas=tuple(sorted({*cuts.planes[0], *cuts.pieces_of[0]})),
        below=-1 if content is None else content.below,
        above=-1 if content is None else content.above,
        flipped=content is not None and content.flipped(view.board),
    )


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
    """Impedance, effective permittivity and delay of every run of a signal net, solved on its cross-sections.

    A run is cut where its section changes. What is shorter than a fiftieth of its net's edge, or than two heights over
    its reference, is no stretch of its own. Quiet neighbours within reach are in the section.

    Runs shorter than the distance to their trace's main reference, or within the antipad of their own hole, are no
    lines and are not solved; nor are ground and supply nets, nor runs shorter than a fiftieth of their net's edge,
    which reflect at most a twenty-fifth of what a long one would. The longest of each net and layer is always solved.
    """
    board, runs = view.board, view.runs
    signal = np.array([role.kind == SIGNAL for role in view.roles], dtype=np.bool_)[runs.net]
    main = main_references(board, runs, find_chains(board))
    layers, of_run = np.unique(np.stack([runs.layer, main[runs.trace]], axis=1), axis=0, return_inverse=True)
    apart = [board.distance(min(own, other), max(own, other)) if other >= 0 else 0.0 for own, other in layers.tolist()]
    height = np.array(apart)[of_run.reshape(-1)] if len(runs) else np.zeros(0)
    short = runs.length < height
    reason = np.full(len(runs), "", dtype=object)
    reason[~signal] = "not a signal net"
    reason[signal & short] = NEAR_REFERENCE
    at_hole = runs_in_own_antipads(board, runs, main)
    reason[signal & at_hole] = AT_HOLE
    brief = signal & ~short & ~at_hole & _brief(view)
    reason[brief] = BRIEF_ON_EDGE
    rows = np.flatnonzero(signal & ~short & ~brief & ~at_hole)
    edge = np.array([driver.rise for driver in view.drivers]) * FASTEST
    pitch = np.maximum(FINEST * height, edge[runs.net] / BRIEF)
    parts, sections, why = cut_along(view, runs, rows, pitch[rows])
    reason[rows] = why
    solved = solve_many(list(sections), cache=view.sections)
    values = np.full((len(sections) + 1, 3), np.nan)
    for i, solution in enumerate(solved):
        if isinstance(solution, Solution):
            er = solution.er_effective()  # its delay is the line's own also beside close neighbours
            values[i] = solution.impedance(), er, np.sqrt(er) / C0
    parts = parts.solved(values)
    z0, er_effective, delay = (np.full(len(runs), np.nan) for _ in range(3))
    section = np.full(len(runs), -1, dtype=np.int32)
    for run, mine in parts.by_run():
        if len(mine) == 1 and np.isfinite(parts.z0[mine[0]]):
            one = mine[0]
            section[run], z0[run], er_effective[run] = parts.section[one], parts.z0[one], parts.er_effective[one]
            delay[run] = parts.delay[one]
            continue
        known = mine[np.isfinite(parts.z0[mine])]
        if not len(known):
            section[run] = parts.section[mine[0]]
            reason[run] = str(solved[int(section[run])])
            continue
        total = np.bincount(parts.section[known], np.round(parts.length[known], 9))
        most = known[parts.section[known] == int(np.argmax(total))][0]
        section[run], z0[run], er_effective[run] = parts.section[most], parts.z0[most], parts.er_effective[most]
        delay[run] = np.average(parts.delay[known], weights=parts.length[known])
    return LineTable(
        z0=z0,
        er_effective=er_effective,
        delay=delay,
        section=section,
        reason=reason,
        parts=parts,
        sections=sections,
        solutions=tuple(None if isinstance(s, OutOfRange) else s for s in solved),
    )
