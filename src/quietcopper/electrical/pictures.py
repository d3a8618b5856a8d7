"""Evidence that a page can draw, made from what was solved. Keys as the page reads them, millimetres."""

from __future__ import annotations

from typing import Any

from quietcopper.fields.section import CrossSection, Strip
from quietcopper.units import MICRON, MM


def section_picture(section: CrossSection, names: tuple[str, ...]) -> dict[str, Any]:
    """A cross-section as drawing data; names : of the lines, in order. The first line is the one judged."""

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
    return out
