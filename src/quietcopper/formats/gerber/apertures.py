"""Aperture definitions (AD): the standard templates and uses of macros.

Source: Gerber Layer Format Specification 2024.05, sections 4.3 to 4.5 and 8.2.2 (rectangular holes).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from functools import partial

import numpy as np
import shapely
from shapely import Geometry, Polygon

from quietcopper.formats.gerber.expressions import BadMacro
from quietcopper.formats.gerber.graphics import Aperture, Fields
from quietcopper.formats.gerber.macros import Macro, macro_shape
from quietcopper.formats.ipc2581.shapes import circle, corners, oval, rectangle

MAX_SIZE = 10.0  # m; nothing on a board is larger
MAX_PARAMETERS = 2000
MAX_CORNERS = 360  # of a regular polygon; the specification says 12
MIN_TEMPLATE_PARAMETERS = {"C": 1, "R": 2, "O": 2, "P": 2}

DEFINITION = re.compile(r"ADD0*(\d{1,10})([^,\d][^,]*)(?:,(.*))?", re.IGNORECASE | re.DOTALL)
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?")


class BadAperture(Exception):
    """A definition that makes no sense; the message says why, without place."""


def parameters(text: str | None) -> list[float]:
    """The numbers of a definition, separated by X. Raises BadAperture."""
    if not text:
        return []
    words = "".join(text.split()).replace("x", "X").split("X")
    if len(words) > MAX_PARAMETERS:
        raise BadAperture(f"{len(words)} parameters; at most {MAX_PARAMETERS} are read")
    out = []
    for word in words:
        if not word:  # a separator too many, as after the last parameter
            continue
        if not _NUMBER.fullmatch(word):
            raise BadAperture(f"{word[:30]!r} where a number belongs")
        value = float(word)
        if not math.isfinite(value):
            raise BadAperture(f"{word[:30]!r}, which is beyond any size")
        out.append(value)
    return out


def standard_aperture(
    number: int, template: str, values: list[float], unit: float, attributes: Mapping[str, Fields], line: int
) -> Aperture:
    """A C, R, O or P aperture. unit : m. Raises BadAperture."""
    needed = MIN_TEMPLATE_PARAMETERS[template]
    if len(values) == 1 and template in ("R", "O"):
        values = values * 2  # a square: the rule of the oldest revisions, from memory
    if len(values) < needed:
        raise BadAperture(f"{len(values)} sizes for template {template}; it needs {needed}")
    if template == "P":
        return _polygon_aperture(number, values, unit, attributes, line)
    sizes = tuple(value * unit for value in values[: needed + 2])
    if min(sizes) < 0 or max(sizes) > MAX_SIZE:
        raise BadAperture(f"a size of {min(values) if min(sizes) < 0 else max(values):g}")
    outer, hole = sizes[:needed], sizes[needed:]
    width = outer[0] if template == "C" else math.nan
    make = partial(_with_hole, template, outer, hole)
    return Aperture(number, template, sizes, width, not any(hole), make, attributes, line)


def _polygon_aperture(
    number: int, values: list[float], unit: float, attributes: Mapping[str, Fields], line: int
) -> Aperture:
    diameter, count = values[0] * unit, values[1]
    if not 0 <= diameter <= MAX_SIZE:
        raise BadAperture(f"a size of {values[0]:g}")
    if not 3 <= count <= MAX_CORNERS or count != int(count):
        raise BadAperture(f"a polygon of {count:g} corners")
    rotation = math.radians(values[2] % 360) if len(values) > 2 else 0.0
    hole = tuple(value * unit for value in values[3:5])
    if hole and not 0 <= min(hole) <= max(hole) <= MAX_SIZE:
        raise BadAperture(f"a hole of {values[3]:g}")
    make = partial(_with_hole, "P", (diameter, count, rotation), hole)
    return Aperture(number, "P", (diameter, count, rotation, *hole), math.nan, not any(hole), make, attributes, line)


def _with_hole(template: str, sizes: tuple[float, ...], hole: tuple[float, ...]) -> Geometry:
    solid = _solid(template, sizes)
    if not hole or not all(hole):
        return solid
    # the rectangular hole does not turn with a polygon aperture (section 8.2.2)
    return shapely.difference(solid, circle(hole[0]) if len(hole) == 1 else rectangle(*hole))


def _solid(template: str, sizes: tuple[float, ...]) -> Geometry:
    if template == "P":
        diameter, count, rotation = sizes
        return Polygon(corners(int(count), diameter / 2, rotation)) if diameter > 0 else Polygon()
    if not all(sizes):
        return Polygon()
    if template == "C":
        return circle(sizes[0])
    return rectangle(*sizes) if template == "R" else oval(*sizes)


def macro_aperture(
    number: int, macro: Macro, values: list[float], unit: float, attributes: Mapping[str, Fields], line: int
) -> Aperture:
    """A use of a macro. Raises BadAperture."""
    try:
        filled = macro.fill(values)
    except BadMacro as error:
        raise BadAperture(f"{error} in macro {macro.name[:40]}") from error
    extent = max((float(np.abs(each[1]).max()) for each in filled), default=0.0)
    if extent * unit > MAX_SIZE * 100:  # angles and counts are among the values
        raise BadAperture(f"a value of {extent:g} in macro {macro.name[:40]}")
    make = partial(macro_shape, filled, unit)
    return Aperture(number, macro.name, tuple(values), math.nan, False, make, attributes, line)


def block_aperture(number: int, attributes: Mapping[str, Fields], line: int) -> Aperture:
    """The entry of an aperture block; its objects are kept by the parser."""
    return Aperture(number, "block", (), math.nan, False, Polygon, attributes, line)
