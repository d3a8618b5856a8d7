"""Numbers, lengths and flags from attribute text; a wrong one names its element, attribute and line."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation, localcontext
from functools import lru_cache

from quietcopper.formats.ipc2581.nodes import Node

MAX_LENGTH = 10.0  # m; no board coordinate, width or thickness is beyond
MAX_RADIUS = 1e4  # m; a nearly straight arc may have its centre far off the board
PI = Decimal("3.14159265358979323846264338327950288419716939937510")


class BadValue(Exception):
    """An attribute that makes no sense; the reader turns it into a ReadError with the file's name."""

    def __init__(self, line: int, element: str, found: str, expected: str = "") -> None:
        super().__init__(found)
        self.line, self.element, self.found, self.expected = line, element, found, expected


@dataclass(frozen=True)
class Unit:
    """A unit of length in the file. suffix and factor turn a number's text into metres: float(text + suffix) * factor.

    The suffix moves the decimal point before the text becomes binary, so "0.1" millimetre is exactly the float 1e-4,
    and "nan" or "inf" with a suffix are no numbers at all.
    """

    name: str
    suffix: str
    factor: float

    def metres(self, text: str, limit: float = MAX_LENGTH) -> float:
        """Raises ValueError for what is no finite number or is beyond the limit, m."""
        try:
            value = float(text + self.suffix) * self.factor
        except ValueError:
            value = _careful(text, self.suffix) * self.factor
        if not -limit <= value <= limit:
            raise ValueError(text)
        return value


def _careful(text: str, suffix: str) -> float:
    """The same for text with blanks round it or an exponent of its own."""
    try:
        value = Decimal(text.strip()) * Decimal("1" + suffix)
    except InvalidOperation:
        raise ValueError(text) from None
    if not value.is_finite():
        raise ValueError(text)
    return float(value)


MILLIMETER = Unit("MILLIMETER", "e-3", 1.0)
INCH = Unit("INCH", "e0", 25.4e-3)
MICRON = Unit("MICRON", "e-6", 1.0)
UNITS = {"MILLIMETER": MILLIMETER, "INCH": INCH, "MICRON": MICRON}  # the standard's words
UNIT_NICKNAMES = {
    "MM": MILLIMETER,
    "MILLIMETERS": MILLIMETER,
    "IN": INCH,
    "INCHES": INCH,
    "UM": MICRON,
    "MICRONS": MICRON,
    "MICROMETER": MICRON,
}


def text(node: Node, name: str, default: str | None = None) -> str:
    """An attribute as it stands; without a default it must be there."""
    value = node.attrib.get(name, default)
    if value is None:
        raise BadValue(node.line, node.tag, f"no {name} attribute")
    return value


def length(node: Node, name: str, unit: Unit, default: float | None = None, *, limit: float = MAX_LENGTH) -> float:
    """An attribute as metres; without a default it must be there."""
    value = node.attrib.get(name)
    if value is None:
        if default is None:
            raise BadValue(node.line, node.tag, f"no {name} attribute", f"a length in {unit.name}")
        return default
    try:
        return unit.metres(value, limit)
    except ValueError:
        raise BadValue(
            node.line, node.tag, f'{name}="{value[:60]}"', f"a length in {unit.name} below {limit:g} m"
        ) from None


def size(node: Node, name: str, unit: Unit, default: float | None = None) -> float:
    """An attribute as metres that cannot be negative."""
    value = length(node, name, unit, default)
    if value < 0:
        raise BadValue(node.line, node.tag, f'{name}="{node.attrib[name]}"', "a length that is not negative")
    return value


def number(node: Node, name: str, default: float | None = None) -> float:
    """An attribute as a finite number without unit; without a default it must be there."""
    value = node.attrib.get(name)
    if value is None:
        if default is None:
            raise BadValue(node.line, node.tag, f"no {name} attribute", "a number")
        return default
    try:
        out = float(value)
    except ValueError:
        out = math.nan
    if not math.isfinite(out):
        raise BadValue(node.line, node.tag, f'{name}="{value[:60]}"', "a finite number")
    return out


def flag(node: Node, name: str) -> bool:
    return node.attrib.get(name, "").strip().lower() in ("true", "1")


@lru_cache(maxsize=4096)
def radians_of(value: str, mirrored: bool, turns: int = 0) -> float:
    """Degrees as radians in [0, 2π), the other way round when mirrored, plus whole turns; correctly rounded."""
    with localcontext(prec=60):
        degrees = Decimal(value.strip())
        if not degrees.is_finite() or abs(degrees) > 1_000_000:
            raise InvalidOperation
        within = (-degrees if mirrored else degrees) % 360  # Decimal keeps the sign of the dividend
        return float((within + 360 * (turns + (within < 0))) * PI / 180)


def angle(node: Node | None, name: str = "rotation", *, mirrored: bool = False, turns: int = 0) -> float:
    """An attribute in degrees as radians (see radians_of). Absent: 0."""
    value = node.attrib.get(name) if node is not None else None
    if value is None or node is None:
        return 0.0
    try:
        return radians_of(value, mirrored, turns)
    except InvalidOperation:
        raise BadValue(node.line, node.tag, f'{name}="{value[:60]}"', "an angle in degrees") from None
