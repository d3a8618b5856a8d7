"""What the edge of its plane adds to a line's loop, from the solved cross-sections.

Every stretch of a run has its cross-section in the line table: each layer's copper where it really ends, pour and lines
beside. Its loop is solved against the same one with the reference made an endless plane; the difference times the
length is the excess. Currents flow along the line, as they do where an edge runs along it for some heights and more.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np

from quietcopper.electrical.edges import EdgeRuns
from quietcopper.electrical.tiles import Index
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.fields.loss import loop
from quietcopper.fields.return_sheet import surface_impedance
from quietcopper.fields.returns import edge_inductance
from quietcopper.fields.section import CrossSection, Sheet, Strip
from quietcopper.fields.section_edges import height as thickness_of

ERROR = 0.02  # of the figure: places are rounded to 1 % of the height, the exact map is met to 1 %
SOLVER = 1e-4  # of the loop's own inductance: what the solver leaves
CUT, MOST = 12.0, 20.0  # heights beyond which the reference's end is only the cut's; of it so many times that are kept
SAME = 1e-6  # m, of heights


@dataclass(frozen=True)
class EdgeLoop:
    """What the edges beside some runs add to their loop over an endless plane.

    length : of what was solved, m; inductance, error : H, the error estimated; resistance : ohm
    unsolved : lengths that were not solved, m, by the reason
    """

    length: float
    inductance: float
    error: float
    resistance: float
    unsolved: dict[str, float]


def edge_loop(view: View, near: EdgeRuns, rows: Index, frequency: float) -> EdgeLoop:
    """The excess of some rows of `near`, of one net and area, at a frequency, Hz."""
    runs, table, board = view.runs, view.line_table, view.board
    solved = inductance = error = resistance = 0.0
    unsolved: dict[str, float] = defaultdict(float)
    for row in rows.tolist():
        run, reference = int(near.run[row]), int(board.areas.layer[near.area[row]])
        first, last = np.searchsorted(table.parts.run, [run, run + 1])
        if first == last:
            unsolved[str(table.reason[run])] += float(runs.length[run])
            continue
        layer, width = board.layers[reference], float(near.plane_width[row])
        square = surface_impedance(frequency, layer.thickness, layer.conductivity).real
        far = float(edge_inductance(width, width / 2 - float(near.inside[row]), near.height[row]))
        reach = width - float(near.inside[row])
        for part in range(first, last):
            length = float(table.parts.length[part])
            below = (reference > runs.layer[run]) != bool(table.parts.flipped[part])
            section = table.sections[int(table.parts.section[part])]
            try:
                added, crowding, unsure = _excess(section, float(near.height[row]), below, far, reach)
            except OutOfRange as problem:
                unsolved[str(problem)] += length
                continue
            solved += length
            inductance += added * length
            error += unsure * length
            resistance += crowding * length * square
    return EdgeLoop(solved, inductance, error, resistance, dict(unsolved))


def _excess(section: CrossSection, height: float, below: bool, far: float, reach: float) -> tuple[float, float, float]:
    """Inductance (H/m), crowding (1/m) and error (H/m) of the first line's loop, less those over an endless reference
    `height` below it or above.

    far : the inductance where the cut met no end of the reference, since that lies further off; reach : how far off the
    reference's other end lies, m
    """
    line = section.lines[0]
    level = line.y - height if below else line.y + line.thickness + height
    whole = (section.plane_below and abs(level) < SAME) if below else (
        section.plane_above and abs(level - thickness_of(section)) < SAME
    )  # fmt: skip
    if whole:
        return far, 0.0, far  # to the order of magnitude: other copper is not in it
    bare = _bare(section, level, below, CUT * height + line.width / 2, reach)
    (one, crowding), (other, least) = (loop(s) for s in (bare, _endless(section, level, below)))
    added = one - other
    return added, crowding - least, ERROR * abs(added) + SOLVER * (one + other)


def _bare(section: CrossSection, level: float, below: bool, cut: float, reach: float) -> CrossSection:
    """The section without dielectrics, and with the reference, of which cuts keep what is nearer than `cut`, as far as
    it reaches."""
    sheets = (Sheet(thickness_of(section), 1.0),) if section.plane_above else ()
    middle = section.lines[0].x
    grounds = []
    for strip in section.grounds:
        if abs((strip.y + strip.thickness if below else strip.y) - level) < SAME:
            left, right = strip.x - strip.width / 2 - middle, strip.x + strip.width / 2 - middle
            left, right = (
                float(np.copysign(max(abs(x), min(reach, MOST * cut)), x)) if abs(x) > cut else x for x in (left, right)
            )
            strip = replace(strip, x=middle + (left + right) / 2, width=right - left)
        grounds.append(strip)
    return replace(section, grounds=tuple(grounds), sheets=sheets, coat_above=None)


def _endless(section: CrossSection, level: float, below: bool) -> CrossSection:
    """The section with an endless plane at a level, and without what lies behind that."""

    def kept(strips: tuple[Strip, ...]) -> tuple[Strip, ...]:
        if below:
            return tuple(replace(s, y=s.y - level) for s in strips if s.y > level + SAME)
        return tuple(s for s in strips if s.y + s.thickness < level - SAME)

    total = thickness_of(section)
    sheets: tuple[Sheet, ...] = (Sheet(level, 1.0),)
    if below:
        sheets = (Sheet(total - level, 1.0),) if section.plane_above else ()
    return CrossSection(
        lines=kept(section.lines),
        grounds=kept(section.grounds),
        sheets=sheets,
        plane_below=below or section.plane_below,
        plane_above=not below or section.plane_above,
    )
