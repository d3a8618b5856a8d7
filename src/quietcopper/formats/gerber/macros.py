"""Aperture macros (AM): parsed once, evaluated for each aperture that uses them, made into shapes when asked for.

Source of the primitives: Gerber Layer Format Specification 2024.05, sections 4.5 and 8.2.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import shapely
from shapely import Geometry, Polygon

from quietcopper.formats.gerber.contours import sound
from quietcopper.formats.gerber.expressions import BadMacro, Expression, compile_expression
from quietcopper.formats.ipc2581.placing import shifted, turn
from quietcopper.formats.ipc2581.shapes import circle, corners, rectangle

MAX_PRIMITIVES = 5000  # of one macro
MAX_VERTICES = 20_000  # of one outline; the specification says 5000
MAX_CORNERS = 360  # of a regular polygon; the specification says 12
MAX_RINGS = 500  # of a moiré target
MAX_LENGTH = 2_000_000  # characters of one macro

Filled = tuple[int, tuple[float, ...]]  # a primitive's code and values

# code: parameters without the rotation, which is last everywhere and may be missing in old files
_PARAMETERS = {1: 4, 2: 6, 20: 6, 21: 5, 22: 5, 5: 5, 6: 8, 7: 5}
_NO_EXPOSURE = (6, 7)


@dataclass(frozen=True)
class Statement:
    """A primitive (`code` and its values) or, with code -1, the definition of `variable`."""

    code: int
    values: tuple[Expression, ...]
    variable: int = 0


@dataclass(frozen=True)
class Macro:
    """A macro as written. cost : expression steps that one use of it takes; odd : oddities, one sentence each."""

    name: str
    statements: tuple[Statement, ...]
    cost: int
    odd: tuple[str, ...] = ()

    def fill(self, values: Sequence[float]) -> tuple[Filled, ...]:
        """The primitives with numbers in place of expressions. Raises BadMacro for values that make no sense."""
        variables = dict(enumerate(values, 1))
        out: list[Filled] = []
        for statement in self.statements:
            if statement.code < 0:
                variables[statement.variable] = statement.values[0].value(variables)
            else:
                out.append(_checked(statement.code, tuple(each.value(variables) for each in statement.values)))
        return tuple(out)


def parse_macro(text: str) -> Macro:
    """A macro from what stands between its percent signs. Raises BadMacro."""
    if len(text) > MAX_LENGTH:
        raise BadMacro(f"a macro of {len(text)} characters; at most {MAX_LENGTH} are read")
    name, *words = text.split("*")
    name = name.strip()[2:].strip()
    statements: list[Statement] = []
    odd: list[str] = []
    for word in words:
        compact = "".join(word.split())
        if not compact:
            continue
        if len(statements) >= MAX_PRIMITIVES:
            raise BadMacro(f"a macro of more than {MAX_PRIMITIVES} statements")
        if compact.startswith("$"):
            statements.append(_definition(compact))
        elif compact[0] != "0":  # 0 is a comment
            code = compact.split(",", 1)[0]
            if not code.isdecimal() or len(code) > 2 or int(code) not in (*_PARAMETERS, 4):
                odd.append(f"{code[:20]!r} is no primitive")
                continue
            statements.append(_primitive(int(code), compact.split(",")[1:]))
    cost = sum(len(value.steps) for each in statements for value in each.values)
    return Macro(name, tuple(statements), cost, tuple(odd))


def _definition(text: str) -> Statement:
    variable, equals, value = text.partition("=")
    if not equals or not variable[1:].isdecimal() or len(variable) > 10:
        raise BadMacro(f"{text[:40]!r}, which is no definition of a variable")
    return Statement(-1, (compile_expression(value),), int(variable[1:]))


def _primitive(code: int, words: list[str]) -> Statement:
    while words and not words[-1]:  # a comma at the end
        words.pop()
    if code != 4:
        needed = _PARAMETERS[code]
        if len(words) < needed:
            raise BadMacro(f"primitive {code} with {len(words)} parameters; it needs {needed} or {needed + 1}")
        words = words[: needed + 1]
    elif len(words) > 2 * MAX_VERTICES + 5:
        raise BadMacro(f"an outline of {(len(words) - 3) // 2} corners; at most {MAX_VERTICES} are read")
    elif len(words) < 8:
        raise BadMacro(f"an outline with {len(words)} parameters, too few for a triangle")
    return Statement(code, tuple(compile_expression(word) for word in words))


def _checked(code: int, values: tuple[float, ...]) -> Filled:
    """The same with a rotation in place and the counts within bounds."""
    if code == 4:
        pairs = round(values[1]) + 1 if abs(values[1]) < MAX_VERTICES else 0
        if pairs < 3 or len(values) < 2 + 2 * pairs:
            raise BadMacro(f"an outline that announces {values[1]:g} corners and gives {(len(values) - 2) // 2 - 1}")
        values = values[: 3 + 2 * pairs]
        return code, values if len(values) == 3 + 2 * pairs else (*values, 0.0)
    if code == 5 and not 3 <= values[1] <= MAX_CORNERS:
        raise BadMacro(f"a polygon of {values[1]:g} corners")
    if code == 6 and not 0 <= values[5] <= MAX_RINGS:
        raise BadMacro(f"a moiré target of {values[5]:g} rings; at most {MAX_RINGS} are read")
    sizes = {1: values[1:2], 20: values[1:2], 2: values[1:2], 5: values[4:5], 6: values[2:5], 7: values[2:5]}
    if min(sizes.get(code, values[1:3])) < 0:
        raise BadMacro(f"primitive {code} of negative size")
    return code, values if len(values) == _PARAMETERS[code] + 1 else (*values, 0.0)


def macro_shape(filled: tuple[Filled, ...], unit: float) -> Geometry:
    """The shape of evaluated primitives, m. A primitive with exposure off removes what came before it, no more."""
    shape: Geometry = Polygon()
    for exposure, pieces in _runs(filled, unit):
        together = shapely.union_all(pieces)
        shape = shapely.union(shape, together) if exposure else shapely.difference(shape, together)
    return shape


def _runs(filled: tuple[Filled, ...], unit: float) -> list[tuple[bool, list[Geometry]]]:
    out: list[tuple[bool, list[Geometry]]] = []
    for code, values in filled:
        exposure = code in _NO_EXPOSURE or values[0] != 0
        if not out or out[-1][0] != exposure:
            out.append((exposure, []))
        out[-1][1].append(_turned(_MAKERS[code](values, unit), values[-1]))
    return out


def _turned(shape: Geometry, degrees: float) -> Geometry:
    if degrees % 360 == 0:
        return shape
    a, b, c, d = turn(math.radians(degrees % 360), mirrored=False)
    return shapely.transform(shape, lambda xy: xy @ np.array([[a, c], [b, d]]))


def _at(shape: Geometry, x: float, y: float) -> Geometry:
    return shifted(shape, x, y) if x or y else shape


def _circle(values: tuple[float, ...], unit: float) -> Geometry:
    diameter, x, y = (v * unit for v in values[1:4])
    return _at(circle(diameter), x, y) if diameter > 0 else Polygon()


def _vector_line(values: tuple[float, ...], unit: float) -> Geometry:
    width, x0, y0, x1, y1 = (v * unit for v in values[1:6])
    length = math.hypot(x1 - x0, y1 - y0)
    if length == 0 or width == 0:
        return Polygon()
    nx, ny = -(y1 - y0) / length * width / 2, (x1 - x0) / length * width / 2
    return Polygon([(x0 - nx, y0 - ny), (x1 - nx, y1 - ny), (x1 + nx, y1 + ny), (x0 + nx, y0 + ny)])


def _centre_line(values: tuple[float, ...], unit: float) -> Geometry:
    width, height, x, y = (v * unit for v in values[1:5])
    return _at(rectangle(width, height), x, y) if width > 0 and height > 0 else Polygon()


def _corner_line(values: tuple[float, ...], unit: float) -> Geometry:
    width, height, x, y = values[1:5]
    return _centre_line((1, width, height, x + width / 2, y + height / 2), unit)


def _outline(values: tuple[float, ...], unit: float) -> Geometry:
    points = np.array(values[2:-1]).reshape(-1, 2) * unit
    return sound(points)


def _polygon(values: tuple[float, ...], unit: float) -> Geometry:
    count, x, y, diameter = round(values[1]), values[2] * unit, values[3] * unit, values[4] * unit
    return _at(Polygon(corners(count, diameter / 2)), x, y) if diameter > 0 else Polygon()


def _moire(values: tuple[float, ...], unit: float) -> Geometry:
    x, y, diameter, thickness, gap = (v * unit for v in values[:5])
    rings = []
    for _ in range(round(values[5])):
        if diameter <= 0:
            break
        inner = diameter - 2 * thickness
        rings.append(_annulus(diameter, inner))
        diameter = inner - 2 * gap
        if thickness + gap <= 0:
            break
    width, length = values[6] * unit, values[7] * unit
    cross = [rectangle(length, width), rectangle(width, length)] if width > 0 and length > 0 else []
    return _at(shapely.union_all([*rings, *cross]), x, y)


def _annulus(outer: float, inner: float) -> Geometry:
    return shapely.difference(circle(outer), circle(inner)) if inner > 0 else circle(outer)


def _thermal(values: tuple[float, ...], unit: float) -> Geometry:
    x, y, outer, inner, gap = (v * unit for v in values[:5])
    if outer <= inner or outer == 0:
        return Polygon()
    ring = _annulus(outer, inner)
    if gap > 0:
        cross = shapely.union(rectangle(2 * outer, gap), rectangle(gap, 2 * outer))
        ring = shapely.difference(ring, cross)
    return _at(ring, x, y)


_MAKERS: dict[int, Callable[[tuple[float, ...], float], Geometry]] = {
    1: _circle,
    2: _vector_line,
    20: _vector_line,
    21: _centre_line,
    22: _corner_line,
    4: _outline,
    5: _polygon,
    6: _moire,
    7: _thermal,
}


def macro_maker(filled: tuple[Filled, ...], unit: float) -> Callable[[], Geometry]:
    return partial(macro_shape, filled, unit)
