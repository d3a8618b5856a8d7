"""How well a board serves as the other half of an antenna whose one half is its cable."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from quietcopper.fields.ranges import Floats, checked
from quietcopper.units import C0


def counterpoise_share(length: ArrayLike, frequency: ArrayLike) -> Floats:
    """Current that a voltage between a cable and a piece of board of some length drives, against that with a
    counterpoise of unlimited size: sin(2 pi l/wave) up to a quarter wave, 1 beyond.

    The board factor of Deng, Hubing and Beetner, IEEE Trans. EMC 50(1), 2008, 215-218: peaks of full-wave solutions
    within a few decibels over many boards and cables (its abstract; the formula from memory). length : the piece's
    diagonal, m. For a piece without a cable of its own.
    """
    turns = checked("length", length, open_low=False) * checked("frequency", frequency) / C0
    return np.asarray(np.sin(2 * np.pi * np.minimum(turns, 0.25)), dtype=float)
