"""Evidence that a page can draw, made from what was solved. Keys as the page reads them, millimetres."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from quietcopper.errors import OutOfRange
from quietcopper.fields.section import CrossSection, Strip
from quietcopper.fields.section_curves import Window, curves
from quietcopper.units import MICRON, MM

DIGITS = 4  # of a drawn coordinate in mm: a tenth of a micrometre


def driven_alone(section: CrossSection) -> tuple[float, ...]:
    """1 V on the first line, the others quiet."""
    return (1.0, *(0.0 for _ in section.lines[1:]))


def section_picture(
    section: CrossSection, names: tuple[str, ...], voltages: Sequence[float] | None = None
) -> dict[str, Any]:
    """A cross-section as drawing data; names : of the lines, in order. The first line is the one judged.

    voltages : V, one for each line: its field is drawn as well; None for the copper alone
    """

    def strip(s: Strip, role: str, name: str = "") -> dict[str, Any]:
        out: dict[str, Any] = {
            "x_mm": s.x / MM,
            "y_mm": s.y / MM,
            "width_mm": s.width / MM,
            "thickness_mm": s.thickness / MM,
            "role": role,
        }
        if name:
            out["name"] = name
        if s.etch:
            out["etch"], out["narrow_top"] = s.etch, s.narrow_top
        return out

    named = [*names, *[""] * len(section.lines)]
    strips = [strip(s, "line" if i == 0 else "neighbour", named[i]) for i, s in enumerate(section.lines)]
    out = {
        "strips": [*strips, *(strip(s, "ground") for s in section.grounds)],
        "sheets": [{"thickness_mm": s.thickness / MM, "er": s.er} for s in section.sheets],
        "plane_below": section.plane_below,
        "plane_above": section.plane_above,
    }
    if section.coat_above is not None:
        out["mask_um"] = section.coat_above.over_laminate / MICRON
    if voltages is not None:
        out |= _field(section, voltages)
    return out


def _field(section: CrossSection, voltages: Sequence[float]) -> dict[str, Any]:
    """Field lines, equipotentials and the window they fill; empty where the solver does not cover the section."""
    try:
        found = curves(section, tuple(map(float, voltages)))
    except OutOfRange:
        return {}
    window = Window.around(section)
    return {
        "view_mm": [v / MM for v in (window.left, window.right, window.bottom, window.top)],
        "field_lines": [np.round(line / MM, DIGITS).tolist() for line in found.field_lines],
        "equipotentials": [np.round(line / MM, DIGITS).tolist() for line in found.equipotentials],
    }
