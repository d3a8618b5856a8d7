"""The deprecated commands on the whole image: IP, IR, AS, OF, SF, MI.

MI and SF act on coordinate data alone, neither on apertures nor on step distances; OF then moves and IR then turns the
image; AS concerns output devices only (Gerber Layer Format Specification 2024.05, section 8.1).
"""

from __future__ import annotations

import math
import re
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from quietcopper.formats.gerber.graphics import Transform
from quietcopper.formats.gerber.painting import CONTOUR, TRANSFORM, XS, YS, Rows, renumbered
from quietcopper.formats.ipc2581.placing import turn

Choice = TypeVar("Choice")
_AXES = re.compile(r"(?:A([+-]?\d+\.?\d*|[+-]?\.\d+))?(?:B([+-]?\d+\.?\d*|[+-]?\.\d+))?", re.IGNORECASE)


class BadCommand(Exception):
    """An image command that makes no sense; the message says why, without place."""


class ImageCommands:
    """State of the image commands. offset in m; scale : factors of x and y, negative where MI mirrors."""

    def __init__(self) -> None:
        self.inverted = False
        self.quarters = 0
        self.offset = (0.0, 0.0)
        self.swapped = False
        self._factors = (1.0, 1.0)
        self._signs = (1, 1)

    @property
    def scale(self) -> tuple[float, float]:
        return self._factors[0] * self._signs[0], self._factors[1] * self._signs[1]

    def obey(self, word: str, unit: float | None) -> None:
        """A command of two letters and its values, without blanks; unit : m, wanted by OF. Raises BadCommand."""
        head, values = word[:2].upper(), word[2:].upper()
        match head:
            case "IP":
                self.inverted = _choice(values, {"POS": False, "NEG": True})
            case "IR":
                self.quarters = _choice(values, {"0": 0, "90": 1, "180": 2, "270": 3})
            case "AS":
                self.swapped = _choice(values, {"AXBY": False, "AYBX": True})
            case "MI":
                a, b = _axes(values, 0.0)
                if a not in (0, 1) or b not in (0, 1):
                    raise BadCommand(f"the mirror setting {values[:30]}")
                self._signs = (-1 if a else 1, -1 if b else 1)
            case "SF":
                a, b = _axes(values, 1.0)
                if not (0.0001 <= a < 1000 and 0.0001 <= b < 1000):
                    raise BadCommand(f"the scale factor {values[:30]}")
                self._factors = (a, b)
            case _:
                a, b = _axes(values, 0.0)
                if (a or b) and unit is None:
                    raise BadCommand("an offset before the unit is known")
                self.offset = (a * (unit or 0.0), b * (unit or 0.0))

    def apply(self, rows: Rows, points: NDArray[np.float64], transforms: dict[Transform, int]) -> None:
        """Moves and turns the finished image in place; new transforms of apertures are added to `transforms`."""
        if self.offset == (0.0, 0.0) and self.quarters == 0:
            return
        a, b, c, d = turn(self.quarters * math.pi / 2, mirrored=False)
        matrix, offset = np.array([[a, b], [c, d]]), np.array(self.offset)
        for xs, ys in zip(XS, YS, strict=True):
            rows[:, [xs, ys]] = (rows[:, [xs, ys]] + offset) @ matrix.T
        points[:] = (points + offset) @ matrix.T
        if self.quarters:
            whole = Transform(rotation=self.quarters * math.pi / 2)
            numbers = {
                number: transforms.setdefault(whole.after(each), len(transforms))
                for each, number in list(transforms.items())
            }
            drawn = rows[:, CONTOUR] < 0
            rows[drawn, TRANSFORM] = renumbered(rows[drawn, TRANSFORM], numbers)


def _choice(value: str, choices: dict[str, Choice]) -> Choice:
    if value not in choices:
        raise BadCommand(f"{value[:30]!r} where {' or '.join(choices)} belongs")
    return choices[value]


def _axes(values: str, missing: float) -> tuple[float, float]:
    match = _AXES.fullmatch(values)
    if match is None:
        raise BadCommand(f"the values {values[:30]!r}")
    a, b = (float(value[:40]) if value else missing for value in match.groups())
    return a, b
