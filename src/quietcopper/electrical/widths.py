"""Which width of a line, or width and gap of a pair, give a target impedance where they really lie."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from quietcopper.errors import OutOfRange
from quietcopper.fields.section import CrossSection
from quietcopper.fields.section_search import find_gap, find_width


@lru_cache(maxsize=256)
def width_for(section: CrossSection, target: float, narrowest: float, spacing: float) -> float | None:
    """Width (m) that gives the first line of a section the impedance `target` (ohm), copper beside it left as it is.

    None when no width between `narrowest` and the room that the copper beside it leaves at `spacing` (m) does.
    """
    line = section.lines[0]
    beside = [s for s in (*section.lines[1:], *section.grounds) if s.y < line.y + line.thickness and s.y >= line.y]
    room = min((2 * (abs(s.x - line.x) - s.width / 2 - spacing) for s in beside), default=20 * line.width)
    if room <= narrowest:
        return None

    def with_width(width: float) -> CrossSection:
        return replace(section, lines=(replace(line, width=width), *section.lines[1:]))

    try:
        return find_width(target, with_width, narrowest, room)
    except OutOfRange:
        return None


MOST_GAP = 4  # times the larger of width and gap as they are: further apart the lines hardly act as a pair


def resized(section: CrossSection, width: float, gap: float) -> CrossSection:
    """The section with its first two lines of that width, that far apart (m, edge to edge), about their middle."""
    one, other, *rest = section.lines
    middle = (one.x + other.x) / 2
    side = -1.0 if one.x < other.x else 1.0
    off = side * (width + gap) / 2
    lines = (replace(one, width=width, x=middle + off), replace(other, width=width, x=middle - off))
    return replace(section, lines=(*lines, *rest))


def room_for_pair(section: CrossSection, spacing: float) -> float:
    """How far the first two lines may reach from their middle, m: to the copper beside them less `spacing`."""
    one, other = section.lines[:2]
    middle = (one.x + other.x) / 2
    beside = [s for s in (*section.lines[2:], *section.grounds) if s.y < one.y + one.thickness and s.y >= one.y]
    reach = abs(one.x - other.x) / 2 + max(one.width, other.width) / 2
    return min((abs(s.x - middle) - s.width / 2 - spacing for s in beside), default=5 * reach)


@lru_cache(maxsize=256)
def sizes_for_pair(
    section: CrossSection, target: float, narrowest: float, spacing: float
) -> tuple[tuple[float, float], ...]:
    """(width, gap) in m that give the first two lines of a section the differential impedance `target` (ohm), copper
    beside them left as it is: another width at the gap as it is, another gap at the width as it is; where neither can
    be had, both others, the gap as narrow as `spacing` allows or else as wide as there is room.

    Empty where nothing between `narrowest` and the room beside does.
    """
    one, other = section.lines[:2]
    width = (one.width + other.width) / 2
    gap = max(abs(one.x - other.x) - width, 0.0)
    room = room_for_pair(section, spacing)

    def width_at(g: float) -> tuple[float, float] | None:
        if room - g / 2 <= narrowest:
            return None
        try:
            return find_width(target, lambda w: resized(section, w, g), narrowest, room - g / 2, (0, 1)), g
        except OutOfRange:
            return None

    def gap_at(w: float) -> tuple[float, float] | None:
        widest = min(2 * (room - w), MOST_GAP * max(width, gap))
        if widest <= spacing:
            return None
        try:
            return w, find_gap(target, lambda g: resized(section, w, g), spacing, widest)
        except OutOfRange:
            return None

    found = [width_at(gap) if gap >= spacing else None, gap_at(width) if width >= narrowest else None]
    if not any(found):
        found = [width_at(spacing)]
        if not any(found):
            found = [gap_at(narrowest)]
    return tuple(sizes for sizes in found if sizes is not None)
