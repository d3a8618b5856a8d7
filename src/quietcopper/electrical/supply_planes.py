"""A supply's planes against ground, solved with the capacitors on them, as the parts that draw from it see them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from quietcopper.electrical.plane_pairs import PlanePair, Port, pair_impedance, port_of
from quietcopper.electrical.supplies import Consumer, Supply
from quietcopper.electrical.tables import GROUND
from quietcopper.errors import OutOfRange

if TYPE_CHECKING:
    from quietcopper.board.model import Floats
    from quietcopper.electrical.view import View

MOST_PINS = 8  # of one part that are solved; further ones of a part lie among them
MOST_PORTS = 60  # of one pair


@dataclass(frozen=True, eq=False)
class Planes:
    """What a part's pins see where they enter a plane pair. impedance : (f,) ohm, all of them in parallel, the pair's
    capacitors counted; capacitors : rows in board.parts of these"""

    pair: PlanePair
    impedance: NDArray[np.complex128]
    capacitors: frozenset[int]


def planes_seen(
    view: View,
    supply: Supply,
    consumers: Sequence[Consumer],
    frequency: Floats,
    model: Callable[[int], tuple[float, float]],
) -> dict[int, Planes]:
    """The planes as each consumer sees them, by its row in board.parts; those that reach no pair with ground are left
    out, and so are all of a pair that is outside what the solver covers.

    model : capacitance and series resistance of a capacitor (row in board.parts), F and ohm
    """
    by_pair: dict[int, list[tuple[Consumer, list[Port]]]] = {}
    pairs = [pair for pair in view.plane_pairs if _side(view, pair, supply.net) is not None]
    for consumer in consumers:
        best: tuple[tuple[int, float], int, list[Port]] | None = None
        for number, pair in enumerate(pairs):
            side = _side(view, pair, supply.net)
            pins = consumer.pins[:: max(1, -(-len(consumer.pins) // MOST_PINS))]
            ports = [port for pin in pins if side is not None and (port := port_of(view, pair, pin, side)) is not None]
            rank = len(ports), -pair.material.spacing
            if ports and (best is None or rank > best[0]):
                best = rank, number, ports
        if best is not None:
            by_pair.setdefault(best[1], []).append((consumer, best[2]))
    out: dict[int, Planes] = {}
    for number, members in by_pair.items():
        pair, ports = pairs[number], [p for _, some in members for p in some][:MOST_PORTS]
        capacitors = []
        for c in pair.capacitors:
            farad, ohm = model(c.part)
            capacitors.append(c if np.isinf(c.capacitance) else replace(c, capacitance=farad, resistance=ohm))
        try:
            z = pair_impedance(view, pair, [(p.x, p.y, p.radius) for p in ports], frequency, capacitors)
        except OutOfRange:
            continue
        start = 0
        for consumer, some in members:
            rows = np.arange(start, min(start + len(some), len(ports)))
            start += len(some)
            if not len(rows):
                continue
            # pins that share one hole are one port
            _, one = np.unique([(ports[r].x, ports[r].y) for r in rows], axis=0, return_index=True)
            rows = rows[np.sort(one)]
            own = z[:, rows[:, None], rows[None]]
            seen = 1 / np.linalg.solve(own, np.ones((len(frequency), len(rows), 1)))[..., 0].sum(axis=1)
            out[consumer.part] = Planes(pair, seen, frozenset(c.part for c in capacitors))
    return out


def _side(view: View, pair: PlanePair, net: int) -> int | None:
    """Which side of a pair a supply is, 0 for the upper, where the other one is ground."""
    nets = [int(view.board.areas.net[area]) for area in (pair.upper, pair.lower)]
    if net not in nets or view.roles[nets[1 - nets.index(net)]].kind != GROUND:
        return None
    return nets.index(net)
