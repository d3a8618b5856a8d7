"""What the digits of a drill file mean: unit, places before and after the point, and which zeros were left out.

Drill files of the older kind state this in full, in part or not at all. What is stated holds; what is not is chosen
among the formats in use so that the holes meet the pads of the copper layers, and told as an assumption.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from quietcopper.units import INCH, MM

LEADING, TRAILING = "leading", "trailing"  # the zeros that stand in the file
ON_PAD = 15e-6  # m; a hole this near to a pad's middle is that pad's: common roundings are 2.5 to 10 µm
CLEAR_HIT = 0.5  # of the holes; so many on pads say that the format is right
MAX_COORDINATE = 10.0  # m; nothing on a board is further from its origin
_DIGITS = re.compile(r"[-+]?\d{1,18}")
_POINTED = re.compile(r"[-+]?(?:\d{1,18}\.\d{0,18}|\.\d{1,18})")


class BadNumber(ValueError):
    """Text that is no coordinate; the message is the text, shortened."""


@dataclass(frozen=True)
class NumberFormat:
    """How numbers without a decimal point are read. unit : m a unit; zeros : LEADING or TRAILING, which ones stand."""

    unit: float
    zeros: str
    integers: int
    decimals: int

    def metres(self, text: str) -> float:
        """A coordinate in m. Raises BadNumber."""
        if _POINTED.fullmatch(text):
            power = 0
        elif _DIGITS.fullmatch(text):
            power = self.integers - len(text.lstrip("+-")) if self.zeros == LEADING else -self.decimals
        else:
            raise BadNumber(text[:30])
        # millimetres as a power of ten, so that the nearest float comes out
        value = float(f"{text}e{power - 3}") if self.unit == MM else float(f"{text}e{power}") * self.unit
        if not abs(value) <= MAX_COORDINATE:
            raise BadNumber(text[:30])
        return value

    @property
    def words(self) -> str:
        """'inch 2.4, leading zeros left out'."""
        unit = "mm" if self.unit == MM else "inch"
        left_out = TRAILING if self.zeros == LEADING else LEADING
        return f"{unit} {self.integers}.{self.decimals}, {left_out} zeros left out"


# places before and after the point that the two units have where nothing else is said (common practice, no source)
DEFAULT = {INCH: NumberFormat(INCH, TRAILING, 2, 4), MM: NumberFormat(MM, TRAILING, 3, 3)}


@dataclass
class Stated:
    """What a file says of its numbers; None where it says nothing. The last statement holds."""

    unit: float | None = None
    zeros: str | None = None
    integers: int | None = None
    decimals: int | None = None

    def complete(self, pointed: bool) -> NumberFormat | None:
        """The format where nothing is left to choose. pointed : every number has its decimal point."""
        if self.unit is None or (not pointed and self.zeros is None):
            return None
        usual = DEFAULT[self.unit]
        integers, decimals = (
            (usual.integers, usual.decimals) if self.integers is None or self.decimals is None
            else (self.integers, self.decimals)
        )  # fmt: skip
        return NumberFormat(self.unit, self.zeros or TRAILING, integers, decimals)

    def candidates(self, lengths: Sequence[int]) -> Iterator[NumberFormat]:
        """Formats that agree with what is stated, the likeliest first. lengths : digits of the file's numbers."""
        units = [self.unit] if self.unit is not None else [INCH, MM]
        full = lengths[0] if lengths and len(set(lengths)) == 1 and lengths[0] >= 6 else None
        for unit in units:
            usual = DEFAULT[unit]
            if self.integers is not None and self.decimals is not None:
                places = [(self.integers, self.decimals)]
            else:
                places = [(usual.integers, usual.decimals)]
                places += [(2, 4), (2, 5), (3, 3), (2, 3), (3, 4), (3, 5), (4, 4), (4, 3), (4, 2), (3, 2), (2, 6)]
                places.sort(key=lambda p: full is not None and sum(p) != full)
            for integers, decimals in dict.fromkeys(places):
                for zeros in [self.zeros] if self.zeros is not None else [TRAILING, LEADING]:
                    yield replace(usual, zeros=zeros, integers=integers, decimals=decimals)


@dataclass(frozen=True)
class Fit:
    """How well holes agree with pads. on_pads : share of holes on pads; inside : the holes lie within the pads' box;
    spread : the larger extent of the holes over that of the pads."""

    on_pads: float
    inside: bool
    spread: float

    @property
    def key(self) -> tuple[float, bool, float]:
        """Better fits have larger keys; hits below a few per cent are chance."""
        hits = self.on_pads if self.on_pads > 0.05 else 0.0
        near = min(self.spread, 1.0) if self.inside else -abs(math.log(max(self.spread, 1e-9)))
        return (round(hits, 3), self.inside, round(near, 3))


def fit(holes: NDArray[np.float64], pads: NDArray[np.float64]) -> Fit:
    """holes, pads : places in m, shape (n, 2); neither may be empty."""
    distance, _ = cKDTree(pads).query(holes, distance_upper_bound=ON_PAD)
    slack = 5e-3
    low, high = pads.min(axis=0) - slack, pads.max(axis=0) + slack
    inside = bool((holes.min(axis=0) >= low).all() and (holes.max(axis=0) <= high).all())
    extent = float(np.ptp(pads, axis=0).max())
    spread = float(np.ptp(holes, axis=0).max()) / extent if extent > 0 else math.inf
    return Fit(float(np.isfinite(distance).mean()), inside, spread)
