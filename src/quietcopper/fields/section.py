"""A cross-section through lines: its description, independent of any board. Lengths in metres.

x runs across, y upward. Dielectric sheets are stacked from y = 0 upward; above the last one is air (unless a plane
closes it). A strip's height is that of its lower face.
"""

from __future__ import annotations

from dataclasses import dataclass, field


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
