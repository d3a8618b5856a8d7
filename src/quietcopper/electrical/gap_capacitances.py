"""The own capacitance of a gap between two areas of one layer: what stands beside that of the planes facing both."""

from __future__ import annotations

from weakref import WeakKeyDictionary

import numpy as np
import shapely

from quietcopper.electrical.laminate import sheets_between
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.fields.section import CrossSection, Sheet, Strip

BESIDE = 2.0  # gaps; an outline this near to the other area runs along the gap
NARROWEST = 20e-6  # m
WIDE = 10.0  # spacings or gaps, of the strips that stand for the areas
_KNOWN: WeakKeyDictionary[View, dict[tuple[int, int], float]] = WeakKeyDictionary()


def own_capacitance(view: View, a: int, b: int) -> float:
    """Capacitance of the gap between two areas (rows in board.areas) of one layer, F, less what plates have that end
    there: from the cross-section of its two edges over the nearest area that faces both; without one, of two strips as
    wide as the root of the smaller area in the board's laminate. Kept for a view.

    0 for areas that touch, and where the section is outside the solver: the voltage across is then an upper bound.
    """
    kept = _KNOWN.setdefault(view, {})
    key = min(a, b), max(a, b)
    if key not in kept:
        kept[key] = _own(view, *key)
    return kept[key]


def _own(view: View, a: int, b: int) -> float:
    areas = view.board.areas
    one, other = areas.shape[a], areas.shape[b]
    gap = float(shapely.distance(one, other))
    if gap < NARROWEST:
        return 0.0
    return _per_metre(view, a, b, gap) * _length(one, other, gap)


def _length(one: shapely.Polygon, other: shapely.Polygon, gap: float) -> float:
    """Length of the gap, m: how much of either outline lies along the other, the mean of both."""
    found = []
    for mine, its in ((one, other), (other, one)):
        # mitred, so that a turned board has the same
        near = shapely.buffer(shapely.Polygon(its.exterior), BESIDE * gap, join_style="mitre")
        found.append(float(shapely.intersection(mine.exterior, near).length))
    return float(np.mean(found))


def _side_by_side(view: View, layer: int, gap: float, width: float) -> float:
    """Capacitance per metre of two coplanar strips of one layer in the board's laminate, F/m, without other copper."""
    board = view.board
    last = len(board.layers) - 1
    if last == 0:
        return 0.0  # its laminate is not part of the data
    thickness = board.layers[layer].thickness
    y = float(board.depths[last] - board.depths[layer]) - thickness
    one, other = (Strip(x, y, width, thickness) for x in ((gap + width) / 2, -(gap + width) / 2))
    section = CrossSection((one,), (other,), sheets_between(board, 0, last), plane_below=False)
    try:
        return float(view.sections.solve(section).capacitance[0, 0])
    except OutOfRange:
        return 0.0


def _per_metre(view: View, a: int, b: int, gap: float) -> float:
    board = view.board
    layer, last = int(board.areas.layer[a]), len(board.layers) - 1
    faced = sorted({int(board.areas.layer[third]) for third in view.facing_of(a) & view.facing_of(b)})
    over, under = [x for x in faced if x < layer], [x for x in faced if x > layer]
    if not faced:
        reach = float(np.sqrt(min(board.areas.shape[a].area, board.areas.shape[b].area)))
        return _side_by_side(view, layer, gap, reach)
    high, low = over[-1] if over else None, under[0] if under else None
    above = sheets_between(board, high if high is not None else 0, layer) if high is not None or layer > 0 else ()
    below = sheets_between(board, layer, low if low is not None else last) if low is not None or layer < last else ()
    thickness = board.layers[layer].thickness
    if low is None:  # upside down, so that a plane lies below
        above, below, high, low = below[::-1], above[::-1], None, high
    spacing = sum(sheet.thickness for sheet in below)
    # the copper's own room is filled as what lies over it, air on an outer face
    room = (Sheet(thickness, above[0].er),) if above else ()
    sheets = (*below, *room, *above)
    width = WIDE * max(spacing, gap, sum(s.thickness for s in above) if high is not None else 0.0)

    def strip(x: float) -> Strip:
        return Strip(x, spacing, width, thickness)

    def capacitances(*lines: Strip) -> np.ndarray:
        section = CrossSection(lines, (), sheets, plane_below=True, plane_above=high is not None)
        return view.sections.solve(section).capacitance

    try:
        pair = capacitances(strip(-(gap + width) / 2), strip((gap + width) / 2))
        alone = float(capacitances(strip(0.0))[0, 0])
        wider = float(capacitances(Strip(0.0, spacing, 2 * width, thickness))[0, 0])
    except OutOfRange:
        return 0.0
    plate = wider - alone  # of one strip without its edges
    # the two in series over the planes have (plate + inner edge + outer edge)/2, one alone plate + 2 outer edges
    odd = float(pair[0, 0] - pair[0, 1])
    return max((odd - plate - (alone - plate) / 2) / 2, 0.0)
