"""Where things are put: Xform and Location as one affine map.

Xform turns first (counter-clockwise, degrees), then mirrors left to right, then Location shifts. That is how the pads
of every sample file lie under the pins of its turned and mirrored packages. The offset inside an Xform moves the thing
before it is turned.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Geometry

from quietcopper.formats.ipc2581.nodes import Node
from quietcopper.formats.ipc2581.values import BadValue, Unit, angle, flag, length, number


@dataclass(frozen=True)
class Placement:
    """x' = a x + b y + e, y' = c x + d y + f."""

    a: float
    b: float
    c: float
    d: float
    e: float
    f: float

    @property
    def mirrors(self) -> bool:
        return self.a * self.d - self.b * self.c < 0

    @property
    def scale(self) -> float:
        return math.sqrt(abs(self.a * self.d - self.b * self.c))

    @property
    def shifts_only(self) -> bool:
        return (self.a, self.b, self.c, self.d) == (1.0, 0.0, 0.0, 1.0)

    def point(self, x: float, y: float) -> tuple[float, float]:
        if self.shifts_only:
            return x + self.e, y + self.f
        return self.a * x + self.b * y + self.e, self.c * x + self.d * y + self.f

    def points(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """The same for shape (n, 2)."""
        if self.shifts_only:
            return xy + np.array([self.e, self.f])
        x, y = xy[:, 0], xy[:, 1]
        return np.stack([self.a * x + self.b * y + self.e, self.c * x + self.d * y + self.f], axis=-1)

    def shape(self, shape: Geometry) -> Geometry:
        return shapely.transform(shape, self.points)

    def after(self, inner: Placement) -> Placement:
        """The map that does `inner` first, then this one."""
        e, f = self.point(inner.e, inner.f)
        return Placement(
            self.a * inner.a + self.b * inner.c,
            self.a * inner.b + self.b * inner.d,
            self.c * inner.a + self.d * inner.c,
            self.c * inner.b + self.d * inner.d,
            e,
            f,
        )


def shifted(shape: Geometry, x: float, y: float) -> Geometry:
    return shapely.transform(shape, lambda xy: xy + np.array([x, y]))


def turn(radians: float, mirrored: bool, scale: float = 1.0, *, mirror_first: bool = False) -> tuple[float, ...]:
    """a, b, c, d of a turn and a mirror; quarter turns are exact."""
    quarters = radians / (math.pi / 2)
    if abs(quarters - round(quarters)) < 1e-12:
        c, s = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[round(quarters) % 4]
    else:
        c, s = math.cos(radians), math.sin(radians)
    c, s = c * scale, s * scale
    if not mirrored:
        return c, -s, s, c
    return (-c, -s, -s, c) if mirror_first else (-c, s, s, c)


def placement(xform: Node | None, location: Node | None, unit: Unit) -> Placement | None:
    """The map of an element's Xform and Location children; None when it changes nothing."""
    e = length(location, "x", unit, 0.0) if location is not None else 0.0
    f = length(location, "y", unit, 0.0) if location is not None else 0.0
    if xform is None or not xform.attrib:
        return Placement(1.0, 0.0, 0.0, 1.0, e, f) if e or f else None
    scale = number(xform, "scale", 1.0)
    if not 1e-6 < scale < 1e6:
        raise BadValue(xform.line, xform.tag, f'scale="{xform.attrib["scale"]}"', "a scale above 0")
    a, b, c, d = turn(angle(xform), flag(xform, "mirror"), scale)
    ox, oy = length(xform, "xOffset", unit, 0.0), length(xform, "yOffset", unit, 0.0)
    return Placement(a, b, c, d, a * ox + b * oy + e, c * ox + d * oy + f)
