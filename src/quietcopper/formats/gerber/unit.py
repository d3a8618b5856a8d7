"""The unit of a file that does not state it before it is needed."""

from __future__ import annotations

import re

from quietcopper.units import INCH, MM

UNMAKEABLE = 0.03  # mm; narrower traces are not made, so a file whose finest aperture is below that is in inches
TOO_COARSE = 0.25  # inch; a file whose finest aperture is above that is in mm
MAX_LOOKED_AT = 10_000  # apertures

_STATED = re.compile(r"[%*\s](?:MO(IN|MM)|G(70|71))(?=\*)", re.IGNORECASE)
_SIZE = re.compile(r"ADD\d{1,10}[CRO],(\d{0,9}\.?\d{0,9})(?=[X*])", re.IGNORECASE)


def stated_later(text: str, place: int) -> float | None:
    """The unit (m) that the file states behind a position, None where it states none."""
    found = _STATED.search(text, place)
    if found is None:
        return None
    return INCH if (found[1] or "").upper() == "IN" or found[2] == "70" else MM


def likely_unit(text: str) -> tuple[float, str, str]:
    """The likeliest unit of a file that states none, by its finest aperture: m, its name, and why."""
    sizes = []
    for match in _SIZE.finditer(text):
        if match[1].strip("."):
            sizes.append(float(match[1]))
        if len(sizes) >= MAX_LOOKED_AT:
            break
    finest = min((size for size in sizes if size > 0), default=0.0)
    if finest > TOO_COARSE:
        return MM, "mm", f"the finest aperture would be {finest:g} inch, which is too coarse"
    if 0 < finest < UNMAKEABLE:
        return INCH, "inch", f"the finest aperture would be {finest:g} mm, which nobody makes"
    return INCH, "inch", "old files without a unit are in inches"
