"""A cross-section through lines: its description, independent of any board. Lengths in metres.

x runs across, y upward. Dielectric sheets are stacked from y = 0 upward; above the last one is air (unless a plane
closes it). A strip's height is that of its lower face.
"""

from __future__ import annotations

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

    def canonical(self) -> CrossSection:
        """The section with lengths rounded to 0.1 µm, the first line at x = 0, and of itself and its mirror image
        (which has the same matrices) the one that sorts first. Faces that lie on a dielectric boundary stay on it."""
        sheets = tuple(Sheet(_rounded(s.thickness), round(s.er, 4), round(s.tan_d, 5)) for s in self.sheets)
        heights = [(0.0, 0.0)]
        for old, new in zip(self.sheets, sheets, strict=True):
            heights.append((heights[-1][0] + old.thickness, heights[-1][1] + new.thickness))

        def height(y: float) -> float:
            return next((new for old, new in heights if abs(old - y) < _SAME), _rounded(y))

        origin = self.lines[0].x if self.lines else 0.0

        def moved(strip: Strip, sign: int) -> Strip:
            y = height(strip.y)
            thickness = height(strip.y + strip.thickness) - y if strip.thickness > 0 else 0.0
            x = sign * _rounded(strip.x - origin) + 0.0
            return Strip(x, y, _rounded(strip.width), thickness, round(strip.etch, 4), strip.narrow_top)

        def placed(sign: int) -> CrossSection:
            grounds = sorted((moved(g, sign) for g in self.grounds), key=lambda g: (g.x, g.y))
            return replace(self, lines=tuple(moved(s, sign) for s in self.lines), grounds=tuple(grounds), sheets=sheets)

        coat = self.coat_above
        if coat is not None:
            coat = Coat(
                _rounded(coat.over_laminate), _rounded(coat.over_copper), round(coat.er, 4), round(coat.tan_d, 5)
            )
        either = (placed(1), placed(-1))
        best = min(either, key=lambda s: [(p.x, p.y) for p in s.lines + s.grounds])
        return replace(best, coat_above=coat)


def _rounded(length: float) -> float:
    return round(length / ROUNDING) * ROUNDING
