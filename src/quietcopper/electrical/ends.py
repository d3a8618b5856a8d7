"""What stands at the ends of a net: receivers, terminating resistors, parts behind which the line goes on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietcopper.electrical import parts
from quietcopper.electrical.paths import DRIVES
from quietcopper.electrical.profile import Profile
from quietcopper.electrical.tables import SIGNAL
from quietcopper.electrical.view import View

OPEN, TERMINATED, GOES_ON, CONNECTOR, PASSIVE = "open", "terminated", "goes on", "connector", "passive"
MOST_TERMINATION = 330.0  # ohm; a larger resistor to a supply or ground is a pull-up; common practice, no source
_LINKS = (parts.FERRITE, parts.JUMPER, parts.FILTER, parts.TRANSFORMER, parts.FUSE, parts.SWITCH)
_NO_INPUT = (  # parts that take no decision: a wave that arrives there disturbs nothing
    *(parts.CAPACITOR, parts.DIODE, parts.VARISTOR, parts.RESISTOR, parts.NETWORK, parts.INDUCTOR, parts.LED),
    *(parts.SWITCH, parts.RELAY, parts.BATTERY, parts.TEST_POINT, parts.SOUNDER, parts.CRYSTAL, parts.ANTENNA),
)


@dataclass(frozen=True)
class Termination:
    """A resistor that ends a net: row in board.pins of its pin there, ohm to the return, and its reference."""

    pin: int
    ohm: float
    part: str


def terminations(view: View, net: int) -> tuple[Termination, ...]:
    """Resistors up to MOST_TERMINATION from a net to supply, ground or a capacitor's net, by reference.

    One across a differential pair counts with half its value, as a line of the pair sees it.
    """
    mates = {pair.positive + pair.negative - net for pair in view.pairs if net in (pair.positive, pair.negative)}
    out = []
    pins = view.board.pins
    on = {int(part) for part in pins.part[pins.net == net]}
    for part in sorted(on, key=lambda part: (str(view.board.parts.ref[part]), part)):
        kind = view.part_kinds[part]
        if kind.kind != parts.RESISTOR or net not in kind.nets or len(kind.nets) != 2 or kind.value is None:
            continue
        (other,) = (n for n in kind.nets if n != net)
        if other in mates:
            ohm = kind.value / 2
        elif view.roles[other].kind != SIGNAL or _only_capacitors(view, other, part):
            ohm = kind.value
        else:
            continue
        if 1 < ohm <= MOST_TERMINATION:
            pin = int(np.flatnonzero((pins.net == net) & (pins.part == part))[0])
            out.append(Termination(pin, ohm, str(view.board.parts.ref[part])))
    return tuple(out)


def _only_capacitors(view: View, net: int, beside: int) -> bool:
    """Whether a net holds nothing but capacitors to supplies or grounds besides one part."""
    others = {int(p) for p in view.board.pins.part[view.board.pins.net == net]} - {beside}
    return bool(others) and all(
        view.part_kinds[p].kind == parts.CAPACITOR
        and all(n == net or view.roles[n].kind != SIGNAL for n in view.part_kinds[p].nets)
        for p in others
    )


def end_of(view: View, net: int, pin: int) -> str:
    """What a pin (row in board.pins) is for a wave that arrives there.

    'open' : an input, or a part of which nothing is known; 'terminated' : a resistor of `terminations`;
    'goes on' : a series part to another signal net; 'connector'; 'passive' : a part without inputs
    """
    part = int(view.board.pins.part[pin])
    kind = view.part_kinds[part]
    if kind.kind == parts.CONNECTOR:
        return CONNECTOR
    if any(t.pin == pin for t in terminations(view, net)):
        return TERMINATED
    if kind.kind in (parts.RESISTOR, parts.NETWORK, parts.CAPACITOR, parts.INDUCTOR, *_LINKS):
        others = [n for n in kind.nets if n != net]
        small = kind.value is None or kind.kind != parts.RESISTOR or kind.value <= MOST_TERMINATION
        if small and any(view.roles[n].kind == SIGNAL for n in others):
            return GOES_ON
    return PASSIVE if kind.kind in _NO_INPUT else OPEN


def to_receivers(view: View, net: int) -> list[tuple[Profile, str]]:
    """A net's profiles with what stands at their ends, those that take longest first, ends without inputs left out.

    An end without a pin is taken as open.
    """
    found = []
    for profile in view.profiles.of(net):
        pin = profile.path.end_pin
        end = end_of(view, net, pin) if pin >= 0 else OPEN
        if end != PASSIVE:
            found.append((profile, end))
    return sorted(found, key=lambda p: (-round(p[0].total_delay, 15), _label(view, p[0].path.end_pin)))


def driven_from(view: View, profile: Profile) -> str:
    """Reference of the part that a path's edge comes from: a chip, or the resistor in series with one; "" otherwise.

    A path that starts at a connector, or has no pins, comes from where nobody knows the source.
    """
    pin = profile.path.start_pin
    if pin < 0:
        return ""
    part = int(view.board.pins.part[pin])
    before = view.profiles.start_pin(profile.path.net) == pin
    known = before or view.part_kinds[part].kind in DRIVES
    return str(view.board.parts.ref[part]) if known else ""


def _label(view: View, pin: int) -> str:
    return view.board.pin_label(pin) if pin >= 0 else ""
