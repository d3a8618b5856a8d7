"""Parts that the designer adds or exchanges without a change of the copper that is reviewed."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from quietcopper.board import Board
from quietcopper.changes.base import Changed, ChangeError, Rules, nets_of


def series_resistor(board: Board, rules: Rules, *, nets: Sequence[str], ohm: float) -> Changed:
    """A resistor (ohm) in series in each of some nets, next to the driver: the driver's resistance grows by it.

    The copper stays as it is; room for the part is the designer's to find. Raises ChangeError for an unknown net.
    """
    nets_of(board, nets)
    many = "resistor is" if len(nets) == 1 else "resistors are"
    note = f"The {many} taken to stand at the driver's pins; where there is room for it, the program does not look."
    return Changed(board, (note,), dict.fromkeys(nets, ohm))


def set_resistor(board: Board, rules: Rules, *, part: str, ohm: float) -> Changed:
    """Another value (ohm) for a resistor. Raises ChangeError where the board has no such part of two pins."""
    row = np.flatnonzero(board.parts.ref == part)
    if not len(row):
        raise ChangeError(f"the board has no part called {part}")
    pins = int((board.pins.part == row[0]).sum())
    if pins != 2:
        raise ChangeError(f"{part} has {pins} pins, a resistor has two")
    value = board.parts.value.copy()
    value[row[0]] = f"{ohm:g}R"
    return Changed(dataclasses.replace(board, parts=board.parts.replace(value=value)))
