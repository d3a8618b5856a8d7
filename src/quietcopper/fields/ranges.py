"""Array types and range checks that all formulas of this folder share."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from quietcopper.errors import OutOfRange

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


def checked(
    name: str,
    value: ArrayLike,
    low: float = 0.0,
    high: float = np.inf,
    *,
    open_low: bool = True,
    infinite: bool = False,
) -> Any:
    """The value as a float array (a numpy scalar for a bare number), or OutOfRange when any entry lies outside.

    The range is low < value <= high, or low <= value with open_low=False. Not-a-number always fails; infinity fails
    unless infinite=True.
    """
    if isinstance(value, float) and low < value <= high and (infinite or math.isfinite(value)):
        return np.float64(value)  # most calls; the rest says what is wrong as well
    array = np.asarray(value, dtype=float)
    good = (array > low if open_low else array >= low) & (array <= high)
    if not infinite:
        good &= np.isfinite(array)
    if not np.all(good):
        worst = array[~good].flat[0] if array.ndim else float(array)
        sign = "above" if open_low else "at least"
        limit = "" if high == np.inf else f" and at most {high:g}"
        raise OutOfRange(f"{name} is {worst:g}; the model holds for values {sign} {low:g}{limit}")
    return array[()]
