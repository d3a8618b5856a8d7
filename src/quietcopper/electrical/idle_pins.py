"""Pins on supplies that draw nothing from them: enable and sense inputs of small parts.

A pin counts as such where the data call it so, where only a trace as narrow as a signal's leads to it while the part's
other supplies, two at least, come over wide copper, or where it is the same pin of a like part that it is told of.
"""

from __future__ import annotations

import re

import numpy as np
import shapely

from quietcopper.board import Assumption
from quietcopper.board.model import Bools, Ints
from quietcopper.electrical import parts
from quietcopper.electrical.tables import SIGNAL, SUPPLY
from quietcopper.electrical.view import View

_CALLED = re.compile(
    r"~?/?(?:(?:CH(?:IP)?_?)?EN(?:ABLE)?\d?|N?SHDN|N?SHUTDOWN|N?SD|N?STBY|ON(?:_?OFF)?|RUN|CE|V?SENSE\d?|V?FB\d?|PG(?:OOD)?|"
    r"N?RE?SE?T|MODE|SYNC|ADJ|UVLO|SS(?:TR)?)"
)
MOST_PINS = 8  # of a part whose pins are told apart by their copper; larger ones are fed by narrow traces as well
LEAST_SUPPLIES = 3  # that it stands on: input, output and the one that enables it (common practice, no source)
NARROW = 1.25  # times the usual width of signals (common practice, no source)
WIDER = 2.0  # times as wide as that trace, that the copper of the others is


def idle_pins(view: View) -> Bools:
    """Whether a pin (row in board.pins) stands on a supply and draws nothing from it, shape (n,)."""
    board, pins = view.board, view.board.pins
    out = np.zeros(len(pins), dtype=bool)
    supply = np.array([role.kind == SUPPLY for role in view.roles], dtype=bool)[pins.net]
    for (ref, name), word in board.pin_functions.items():
        if _CALLED.fullmatch(word.strip().upper()):
            out |= supply & (board.parts.ref[pins.part] == ref) & (pins.name == name)
    usual = _usual_width(view)
    small: dict[int, Ints] = {}
    for part, kind in enumerate(view.part_kinds):
        if kind.kind != parts.IC or not usual or not LEAST_SUPPLIES < kind.pins <= MOST_PINS:
            continue
        mine = np.flatnonzero((pins.part == part) & supply).astype(np.int32)
        if len(np.unique(pins.net[mine])) < LEAST_SUPPLIES:
            continue
        small[part] = mine
        widest = np.array([_widest_copper(view, int(pin)) for pin in mine])
        narrow = (widest > 0) & (widest <= NARROW * usual)
        others = widest[~narrow]
        if narrow.sum() == 1 and len(np.unique(pins.net[mine[~narrow]])) >= LEAST_SUPPLIES - 1:
            out[mine[narrow]] = bool((others >= WIDER * widest[narrow]).all())
    known = {(_footprint(view, int(pins.part[p])), str(pins.name[p])) for p in np.flatnonzero(out)}
    for part, mine in small.items():
        if not out[mine].any():
            form = _footprint(view, part)
            out[mine] = [(form, str(pins.name[p])) in known for p in mine]
    return out


def _footprint(view: View, part: int) -> tuple[tuple[str, float], ...]:
    """The pins of a part by name with their distance from its first one, to a hundredth of a millimetre."""
    pins = view.board.pins
    mine = np.flatnonzero(pins.part == part)
    away = np.hypot(pins.x[mine] - pins.x[mine[0]], pins.y[mine] - pins.y[mine[0]])
    return tuple(sorted(zip(pins.name[mine].tolist(), np.round(away * 1e5).tolist(), strict=True)))


def idle_pin_assumptions(view: View) -> list[Assumption]:
    """What was taken of pins that stand on a supply without drawing from it, where the data do not say it."""
    board = view.board
    told = {key for key, word in board.pin_functions.items() if _CALLED.fullmatch(word.strip().upper())}
    rows = [p for p in np.flatnonzero(view.idle_pins).tolist() if _key(view, p) not in told]
    if not rows:
        return []
    names = ", ".join(f"{board.pin_label(p)} on {board.nets[board.pins.net[p]]}" for p in rows[:8])
    why = "only a trace as narrow as a signal's leads there or to a like part's, other supplies come over wide copper"
    return [Assumption(f"pins that enable or sense and draw nothing: {names}", 0.0, "A", why, len(rows))]


def _key(view: View, pin: int) -> tuple[str, str]:
    return str(view.board.parts.ref[view.board.pins.part[pin]]), str(view.board.pins.name[pin])


def _usual_width(view: View) -> float:
    """The width of most of the signals' trace length, m, 0 where there is none."""
    traces = view.board.traces
    signal = np.array([role.kind == SIGNAL for role in view.roles], dtype=bool)[traces.net]
    if not signal.any():
        return 0.0
    widths, of = np.unique(np.round(traces.width[signal], 6), return_inverse=True)
    length = np.bincount(of, weights=traces.length[signal])
    return float(widths[int(np.argmax(np.round(length, 9)))])


def _widest_copper(view: View, pin: int) -> float:
    """Width of the widest trace that meets a pin's pads, m: inf where an area does, 0 where nothing does."""
    board = view.board
    net = int(board.pins.net[pin])
    widest = 0.0
    for row in np.flatnonzero(board.pads.pin == pin).tolist():
        layer, pad = int(board.pads.layer[row]), board.pads.shape[row]
        areas = board.areas.shape[(board.areas.net == net) & (board.areas.layer == layer)]
        if shapely.intersects(areas, pad).any():
            return float("inf")
        on = np.flatnonzero((board.traces.net == net) & (board.traces.layer == layer))
        on = on[shapely.intersects(board.traces.lines[on], pad)]
        widest = max(widest, float(board.traces.width[on].max(initial=0.0)))
    return widest
