"""Which width of a line gives a target impedance where it really lies."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from quietcopper.errors import OutOfRange
from quietcopper.fields.section import CrossSection
from quietcopper.fields.section_search import find_width


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
