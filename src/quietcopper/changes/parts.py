"""Parts that the designer adds or exchanges without a change of the copper that is reviewed."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from quietcopper.board import Board
from quietcopper.changes.base import Changed, ChangeError, Rules, net_of, nets_of
from quietcopper.changes.capacitor import place_between_parts

FILTER_ROOM_X, FILTER_ROOM_Y = 2.2e-3, 2.0e-3  # m, of two 0402 chips side by side with their courtyards
FILTER_REACH = 8e-3  # m; further from the connector a filter is passed by (common practice, no source)


def series_resistor(board: Board, rules: Rules, *, nets: Sequence[str], ohm: float) -> Changed:
    """A resistor (ohm) in series in each of some nets, next to the driver: the driver's resistance grows by it.

    The copper stays as it is; room for the part is the designer's to find. Raises ChangeError for an unknown net.
    """
    nets_of(board, nets)
    many = "resistor is" if len(nets) == 1 else "resistors are"
    note = f"The {many} taken to stand at the driver's pins; where there is room for it, the program does not look."
    return Changed(board, (note,), dict.fromkeys(nets, ohm))


def slower_edge(board: Board, rules: Rules, *, nets: Sequence[str], rise: float) -> Changed:
    """The drivers of some nets get a rise time (s): by their settings for drive or slew rate, or as other parts.

    Raises ChangeError for an unknown net.
    """
    nets_of(board, nets)
    note = "That the driver can be set to that edge, or exchanged for one that has it, is taken for granted."
    return Changed(board, (note,), edges=dict.fromkeys(nets, rise))


def filter_line(board: Board, rules: Rules, *, connector: str, net: str, ohm: float, farad: float) -> Changed:
    """A resistor (ohm) in series in a line and a capacitor (F) to ground, right before a connector's pin.

    The copper stays as it is. Raises ChangeError where the connector has no pin on the net.
    """
    row = net_of(board, net)
    part = np.flatnonzero(board.parts.ref == connector)
    if not len(part):
        raise ChangeError(f"the board has no part called {connector}")
    pins = np.flatnonzero((board.pins.part == part[0]) & (board.pins.net == row))
    if not len(pins):
        raise ChangeError(f"{connector} has no pin on {net}")
    note = _room_note(board, (float(board.pins.x[pins[0]]), float(board.pins.y[pins[0]])), connector)
    return Changed(board, (note,), filters={(connector, net): (ohm, farad)})


def _room_note(board: Board, at: tuple[float, float], connector: str) -> str:
    """Whether a resistor and a capacitor find room between the parts by a connector, in one sentence."""
    found = place_between_parts(board, (FILTER_ROOM_X, FILTER_ROOM_Y), at, FILTER_REACH)
    size = f"{FILTER_ROOM_X * 1e3:g} by {FILTER_ROOM_Y * 1e3:g} mm"
    needs = f"Each filter takes {size} by {connector} and traces led anew; within {FILTER_REACH * 1e3:g} mm the parts"
    if found is None:
        return f"{needs} leave no such room."
    return f"{needs} leave such room {'on top' if found[2] == 0 else 'on the bottom'}."


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
