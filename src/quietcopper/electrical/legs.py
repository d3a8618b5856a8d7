"""How pins reach planes: by which hole, with which loop; capacitors on a plane pair with their mounting inductance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from quietcopper.electrical.copper import AREA, PAD
from quietcopper.electrical.parts import CAPACITOR
from quietcopper.fields.vias import pair_inductance, strip_inductance

if TYPE_CHECKING:
    from quietcopper.electrical.view import View

REACH = 5e-3  # m; a hole further from a pin than this does not serve it
CLOSEST = 1.25  # diameters; the nearest that the formula of two vias may have them
BODY = 0.3e-3  # m; height of the current in a chip capacitor over its pads. From memory of published mountings
RESISTANCE = 0.02  # ohm, series resistance of a capacitor whose data say nothing. Ceramic chips, from memory
VALUE = 100e-9  # F, of a capacitor without a value: the commonest decoupling value; common practice, no source


@dataclass(frozen=True)
class Leg:
    """Where a pin's current enters an area: place (m), radius of the hole or of a disc as large as the pad.

    via : row in board.vias, -1 where the pin's pad lies in the area itself
    """

    x: float
    y: float
    radius: float
    via: int


@dataclass(frozen=True)
class Mounted:
    """A capacitor (or link of an ohm or less) on a plane pair.

    part : row in board.parts; x, y, radius : of the hole through which its current crosses the pair, m
    capacitance : F, infinite for a link; resistance : ohm; inductance : H, of the loop between part and nearer plane
    assumed : names of the figures that are assumptions ("capacitance", "resistance")
    """

    part: int
    ref: str
    x: float
    y: float
    radius: float
    capacitance: float
    resistance: float
    inductance: float
    assumed: tuple[str, ...]


def leg_of(view: View, pin: int, area: int) -> Leg | None:
    """The way from a pin to an area (rows): its own hole, its pad in the copper, else the nearest hole within REACH
    that ties to the area. None where there is no such thing."""
    board, pins, vias, pads = view.board, view.board.pins, view.board.vias, view.board.pads
    holes = view.vias_on(area)
    own = holes[vias.pin[holes] == pin]
    if len(own):
        return _at_hole(view, int(own[0]))
    if pins.net[pin] == board.areas.net[area]:
        touching = view.copper.touching(AREA, area)
        elements = view.copper.elements
        rows = elements.row[touching[elements.kind[touching] == PAD]]
        rows = rows[pads.pin[rows] == pin]
        if len(rows):
            row = int(rows[0])
            return Leg(float(pads.x[row]), float(pads.y[row]), float(np.sqrt(pads.shape[row].area / np.pi)), -1)
    if not len(holes):
        return None
    distance = np.hypot(vias.x[holes] - pins.x[pin], vias.y[holes] - pins.y[pin])
    nearest = int(np.lexsort((holes, np.round(distance, 9)))[0])
    return _at_hole(view, int(holes[nearest])) if distance[nearest] <= REACH else None


def _at_hole(view: View, row: int) -> Leg:
    vias = view.board.vias
    return Leg(float(vias.x[row]), float(vias.y[row]), float(vias.drill[row]) / 2, row)


def depth_of_pair(view: View, upper: int, lower: int, below: bool) -> float:
    """From the surface a part is mounted on (`below`: the last layer) to the nearer of two plane layers, m."""
    last = len(view.board.layers) - 1
    near = lower if below else upper
    if near == (last if below else 0):
        return 0.0
    return view.board.distance(near, last) if below else view.board.distance(0, near)


def loop_inductance(view: View, upper: int, lower: int, below: bool, leg: Leg, back: Leg | None) -> float:
    """Inductance of the two vias between a part and the nearer plane (layers of the pair), H: (mu0 h/pi) acosh(s/2r).

    back : the way of the return, taken REACH away where there is none
    """
    depth = depth_of_pair(view, upper, lower, below)
    if depth == 0:
        return 0.0
    radius = leg.radius if back is None else (leg.radius + back.radius) / 2
    span = REACH if back is None else float(np.hypot(leg.x - back.x, leg.y - back.y))
    return float(pair_inductance(depth, max(span, CLOSEST * 2 * radius), radius))


def mounted_capacitors(view: View, upper: int, lower: int) -> tuple[Mounted, ...]:
    """Capacitors and links between two areas (rows), by reference, each at the hole that crosses from one to the other.

    Those whose pins reach no hole within REACH are left out.
    """
    board, caps = view.board, view.capacitors
    group = view.pieces.group[view.copper.piece_of_area]
    rows = caps.between(int(board.areas.net[upper]), int(board.areas.net[lower]))
    ends = {int(group[upper]), int(group[lower])}
    out = []
    for row in rows.tolist():
        if {int(caps.group_a[row]), int(caps.group_b[row])} != ends or len(ends) < 2:
            continue
        found = _mounted(view, int(caps.part[row]), upper, lower)
        if found is not None:
            out.append(found)
    return tuple(sorted(out, key=lambda c: (c.ref, c.part)))


def _mounted(view: View, part: int, upper: int, lower: int) -> Mounted | None:
    board, pins = view.board, view.board.pins
    both = np.flatnonzero(pins.part == part)
    nets = [int(board.areas.net[area]) for area in (upper, lower)]
    ends = [int(both[np.flatnonzero(pins.net[both] == net)[0]]) for net in nets]
    legs = [leg_of(view, pin, area) for pin, area in zip(ends, (upper, lower), strict=True)]
    if legs[0] is None or legs[1] is None:
        return None
    below = bool(board.parts.side[part])
    crossing = legs[0] if below else legs[1]
    layers = int(board.areas.layer[upper]), int(board.areas.layer[lower])
    way = float(np.hypot(pins.x[ends[0]] - pins.x[ends[1]], pins.y[ends[0]] - pins.y[ends[1]]))
    way += sum(float(np.hypot(pins.x[p] - g.x, pins.y[p] - g.y)) for p, g in zip(ends, legs, strict=True) if g)
    pads = np.flatnonzero(board.pads.pin == ends[0])
    width = float(np.sqrt(board.pads.shape[pads[0]].area)) if len(pads) else way / 3
    inductance = loop_inductance(view, *layers, below, legs[0], legs[1])
    inductance += way * float(strip_inductance(width, depth_of_pair(view, *layers, below) + BODY))
    kind = view.part_kinds[part]
    assumed: tuple[str, ...] = ()
    if kind.kind == CAPACITOR:
        capacitance = kind.value if kind.value else VALUE
        assumed = ("resistance",) if kind.value else ("capacitance", "resistance")
        resistance = RESISTANCE
    else:
        capacitance, resistance = float("inf"), kind.value or 0.0
    place = crossing.x, crossing.y, crossing.radius
    return Mounted(part, str(board.parts.ref[part]), *place, capacitance, resistance, inductance, assumed)
