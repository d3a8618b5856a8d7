"""A cross-section through lines: its description, independent of any board. Lengths in metres.

x runs across, y upward. Dielectric sheets are stacked from y = 0 upward; above the last one is air (unless a plane
closes it). A strip's height is that of its lower face.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

ROUNDING = 1e-7  # m; sections that differ by less are solved once
_SAME = 1e-9  # m


@dataclass(frozen=True)
class Sheet:
    """One flat dielectric layer: thickness, relative permittivity, loss tangent."""

    thickness: float
    er: float
    tan_d: float = 0.0


@dataclass(frozen=True)
class Strip:
    """A conductor of trapezoidal section.

    x : centre; y : height of its lower face; width : of its wider face; thickness >= 0 (0: an ideal thin strip)
    etch : the narrower face is 2·etch·thickness narrower than `width`; narrow_top : which face that is
    """

    x: float
    y: float
    width: float
    thickness: float
    etch: float = 0.0
    narrow_top: bool = True


@dataclass(frozen=True)
class Coat:
    """Solder mask: thickness over the laminate and over the copper's top, relative permittivity, loss tangent."""

    over_laminate: float
    over_copper: float
    er: float
    tan_d: float = 0.0


@dataclass(frozen=True)
class CrossSection:
    """Signal strips, grounded copper beside or below them, and the stack they lie in.

    lines : the conductors whose L and C are wanted, in order
    grounds : finite copper at reference potential (coplanar pour, plane pieces with a gap between them)
    sheets : dielectrics from bottom to top
    plane_below : an unbroken plane at y = 0; plane_above : one on top of the last sheet
    coat_above : mask over the upper surface (needs plane_above False). A two-sided board without planes has neither
    plane and is then solved in free surroundings, with the grounds as return.
    """

    lines: tuple[Strip, ...]
    grounds: tuple[Strip, ...] = ()
    sheets: tuple[Sheet, ...] = field(default_factory=tuple)
    plane_below: bool = True
    plane_above: bool = False
    coat_above: Coat | None = None

    def canonical(self) -> tuple[CrossSection, tuple[int, ...]]:
        """The same section wherever it lies, whichever way round and in whatever order its lines are named.

        Lengths are rounded to 0.1 µm, lines run from left to right with the first at x = 0; of the section and its
        mirror image (which has the same matrices) the one that sorts first. Faces that lie on a dielectric boundary
        stay on it. Also returns which line of this section each line of the plain one is.
        """
        sheets = tuple(Sheet(_rounded(s.thickness), round(s.er, 4), round(s.tan_d, 5)) for s in self.sheets)
        heights = [(0.0, 0.0)]
        for old, new in zip(self.sheets, sheets, strict=True):
            heights.append((heights[-1][0] + old.thickness, heights[-1][1] + new.thickness))

        def height(y: float) -> float:
            return next((new for old, new in heights if abs(old - y) < _SAME), _rounded(y))

        def moved(strip: Strip, sign: int, origin: float) -> Strip:
            y = height(strip.y)
            thickness = height(strip.y + strip.thickness) - y if strip.thickness > 0 else 0.0
            x = _rounded(sign * (strip.x - origin))
            return Strip(x, y, _rounded(strip.width), thickness, round(strip.etch, 4), strip.narrow_top)

        def placed(sign: int) -> tuple[list[Strip], list[Strip], list[int]]:
            order = sorted(range(len(self.lines)), key=lambda i: (sign * self.lines[i].x, self.lines[i].y))
            origin = self.lines[order[0]].x if order else 0.0
            lines = [moved(self.lines[i], sign, origin) for i in order]
            return lines, sorted((moved(g, sign, origin) for g in self.grounds), key=_content), order

        lines, grounds, order = min(placed(1), placed(-1), key=lambda p: [_content(strip) for strip in p[0] + p[1]])
        coat = self.coat_above
        if coat is not None:
            coat = Coat(
                _rounded(coat.over_laminate), _rounded(coat.over_copper), round(coat.er, 4), round(coat.tan_d, 5)
            )
        plain = replace(self, lines=tuple(lines), grounds=tuple(grounds), sheets=sheets, coat_above=coat)
        return plain, tuple(order)


def _rounded(length: float) -> float:
    # off centre: lengths that end in half of 0.1 µm are common, and noise in the last digit must not turn them over
    steps = round(abs(length) / ROUNDING + 0.1318)
    return math.copysign(steps * ROUNDING, length) if steps else 0.0


def _content(strip: Strip) -> tuple[float, float, float, float, float, bool]:
    return strip.x, strip.y, strip.width, strip.thickness, strip.etch, strip.narrow_top
