"""What excites a plane pair: lines that change layers through it and the supply pins of parts, and what its edge sends.

The voltage along the pair's edge is solved from the modes of the pair with its ties and capacitors; the edge radiates
as a magnetic current. An upper bound: the edge counts as open to the outside wherever it lies.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
import shapely
from scipy.spatial import cKDTree

from quietcopper.board.model import Floats
from quietcopper.electrical import parts
from quietcopper.electrical.emission import FieldEstimate, Law, allowed_field, carries_radio, estimate_of
from quietcopper.electrical.paths import start_pin
from quietcopper.electrical.plane_pairs import PairModes, PlanePair, highest_frequency, pair_modes, port_of
from quietcopper.electrical.signals import LOWEST, level_by_frequency
from quietcopper.electrical.tables import GROUND, SIGNAL, SUPPLY, Driver
from quietcopper.electrical.view import View
from quietcopper.errors import OutOfRange
from quietcopper.fields import plane_pair_solver
from quietcopper.fields.blas import one_thread
from quietcopper.fields.content import kept_by_content
from quietcopper.fields.open_line import largest_current, over_delays
from quietcopper.fields.plane_edges import edge_field_of, edge_moment, stretches
from quietcopper.fields.ranges import Complexes

TOLERANCE = 0.03  # of a resonance: 5 % of the dielectric constant, the usual spread of laminates (common practice, no
# source), and what the solver and fringes leave open
FEW, MARGIN = 1500, 1.05  # cells of a first look, and what its modes may be high by
MOST = 40  # exciters of one pair that are solved; the strongest at its first resonance
SWEEP = 120  # frequencies of the impedance, and five more on each resonance
PIN_RADIUS = 0.1e-3  # m; least radius of a port
STRETCHES = 96  # of the outer edge
AT_ONCE = 4  # frequencies, for which the edge's voltages stay within the processor's cache
DRIVES_NOTHING = (parts.CAPACITOR, parts.RESISTOR, parts.NETWORK, parts.INDUCTOR, parts.FERRITE, parts.DIODE, parts.LED)
ABOVE = 1.1  # times a supply's voltage that the swing of what it drives may be: tolerances of both
RISING = 0.5  # share of a line's current that its driver's supply pin carries: at rising edges only


@dataclass(frozen=True)
class Exciter:
    """Something that sends a line's current across a pair.

    net : whose current; what : "CLK where it changes layers" or "U3.5, which feeds CLK"; x, y, radius : m
    series : ohm in the current's loop that the voltage on the pair must drive as well; share : of the line's current
    """

    net: int
    what: str
    x: float
    y: float
    radius: float
    series: float
    share: float
    pin: bool = False


@dataclass(frozen=True, eq=False)
class Excited:
    """The strongest of what excites a pair. fields are upper bounds, see `FieldEstimate`.

    mode : of modes, the resonance nearest to the worst frequency, -1 for none; exciters : how many were found
    """

    modes: PairModes
    exciter: Exciter
    estimate: FieldEstimate
    mode: int
    exciters: int


def exciters_of(view: View, pair: PlanePair) -> list[Exciter]:
    """Everything that sends current across a pair, in the order of nets: layer changes whose return must pass from one
    side to the other, and supply pins of the parts that drive lines."""
    return sorted([*_layer_changes(view, pair), *_supply_pins(view, pair)], key=lambda e: (e.net, e.what, e.x, e.y))


def _sends(view: View, net: int) -> bool:
    driver = view.drivers[net]
    if carries_radio(view, net):
        return False
    return view.roles[net].kind == SIGNAL and driver.swing > 0 and driver.rate > 0


def _layer_changes(view: View, pair: PlanePair) -> list[Exciter]:
    changes, board = view.layer_changes, view.board
    crosses = (changes.upper <= pair.upper_layer) & (changes.lower >= pair.lower_layer)
    # The return passes only where each side's reference lies on its own side of the pair; unknown ones count.
    crosses &= (changes.upper_ref <= pair.upper_layer) & (
        (changes.lower_ref >= pair.lower_layer) | (changes.lower_ref < 0)
    )
    out = []
    for row in np.flatnonzero(crosses).tolist():
        net, x, y = int(changes.net[row]), float(changes.x[row]), float(changes.y[row])
        if not _sends(view, net) or not pair.holds(x, y):
            continue
        z0 = view.impedance_of(net)
        if z0 is None:
            continue
        radius = max(float(board.vias.drill[changes.via[row]]) / 2, PIN_RADIUS)
        out.append(Exciter(net, f"{board.nets[net]} where it changes layers", x, y, radius, 2 * z0, 1.0))
    return out


def _supply_pins(view: View, pair: PlanePair) -> list[Exciter]:
    board = view.board
    nets = [int(board.areas.net[area]) for area in (pair.upper, pair.lower)]
    if {view.roles[net].kind for net in nets} != {GROUND, SUPPLY}:
        return []
    side = 0 if view.roles[nets[0]].kind == SUPPLY else 1
    pins, voltage = board.pins, view.roles[nets[side]].voltage
    fed = {int(part) for part in pins.part[pins.net == nets[side]]}
    lines: dict[int, list[int]] = defaultdict(list)
    for net in range(len(board.nets)):
        # a rail does not drive a line that swings further than it
        if _sends(view, net) and (voltage is None or view.drivers[net].swing <= ABOVE * abs(voltage)):
            rows = np.flatnonzero(pins.net == net)
            if len(rows) > 1 and fed.intersection(pins.part[rows].tolist()):
                lines[int(pins.part[start_pin(board, net, view.part_kinds)])].append(net)
    out = []
    for part, driven in sorted(lines.items()):
        if part not in fed or view.part_kinds[part].kind in DRIVES_NOTHING:
            continue
        ports = [
            port
            for pin in np.flatnonzero((pins.part == part) & (pins.net == nets[side])).tolist()
            if (port := port_of(view, pair, pin, side)) is not None
        ]
        if not ports:
            continue
        strongest = max(driven, key=lambda net: (view.drivers[net].swing / view.drivers[net].rise, -net))
        z0 = view.impedance_of(strongest)
        if z0 is None:
            continue
        port = min(ports, key=lambda p: (p.inductance, p.pin))
        what = f"{board.pin_label(port.pin)}, which feeds {board.nets[strongest]}"
        radius = max(port.radius, PIN_RADIUS)
        out.append(Exciter(strongest, what, port.x, port.y, radius, z0 + view.drivers[strongest].source, RISING, True))
    return out


def current_of(view: View, net: int, driver: Driver, highest: float) -> tuple[Floats, Floats]:
    """Frequencies (Hz) and largest currents (A) of a net with some driver, up to `highest`."""
    frequency, level = level_by_frequency(driver, driver.swing, highest)
    z0 = view.impedance_of(net)
    if not len(frequency) or z0 is None:
        return frequency[:0], level[:0]
    return frequency, over_delays(largest_current, level, driver.source, z0, _delay(view, net), frequency)


def _delay(view: View, net: int) -> float:
    return max(view.delay_of(net), 1e-12)


_KEPT: WeakKeyDictionary[View, dict[tuple[int, bool], tuple[PairModes, Excited | None]]] = WeakKeyDictionary()


def excited(view: View, pair: PlanePair, *, resonant: bool = True) -> tuple[PairModes, Excited | None]:
    """The modes of a pair and the strongest of what excites it; None where nothing does. Kept for the view's own pairs.

    resonant : only what a line sends within TOLERANCE (and half the width) of a resonance counts, so that a pair
    without resonances has nothing; else whatever is sent at any frequency
    """
    if not any(pair is own for own in view.plane_pairs):
        return _excited(view, pair, resonant)
    kept = _KEPT.setdefault(view, {})
    key = id(pair), resonant
    if key not in kept:
        kept[key] = _excited(view, pair, resonant)
    return kept[key]


def _excited(view: View, pair: PlanePair, resonant: bool) -> tuple[PairModes, Excited | None]:
    highest = highest_frequency(view)
    rough = _roughly(view, pair, highest)
    if resonant and not len(rough.frequency):
        return rough, None
    found = exciters_of(view, pair)
    at = rough.frequency if resonant else np.empty(0)
    strength = _strengths(view, {e.net for e in found}, at, highest)
    ranked = sorted(found, key=lambda e: (-round(strength[e.net] * e.share, 15), e.what, e.x, e.y))
    kept = [e for e in ranked[:MOST] if strength[e.net] > 0]
    modes = pair_modes(view, pair, ports=[(e.x, e.y, e.radius) for e in kept])
    if not kept or (resonant and not len(modes.frequency)):
        return modes, None
    sweep, moment, own = _to_the_edge(modes, highest)
    best: tuple[float, int] | None = None
    laws = {}
    for i, exciter in enumerate(kept):
        if modes.ports[i] < 0:
            continue
        loaded = exciter.share * moment[:, i] / np.abs(1 + own[:, i] / exciter.series)
        laws[i] = _law(view, exciter, modes if resonant else None, sweep, loaded)
        frequency, field = laws[i](view.drivers[exciter.net])
        if not len(frequency):
            continue
        excess = float(np.max(field / allowed_field(view.settings, frequency)))
        if excess > 0 and (best is None or excess > best[0] * (1 + 1e-9)):
            best = excess, i
    if best is None:
        return modes, None
    exciter = kept[best[1]]
    estimate = estimate_of(view, view.drivers[exciter.net], laws[best[1]])
    if estimate is None:
        return modes, None
    mode = int(np.argmin(np.abs(np.log(modes.frequency / estimate.frequency)))) if len(modes.frequency) else -1
    return modes, Excited(modes, exciter, estimate, mode, len(found))


def _law(view: View, exciter: Exciter, modes: PairModes | None, sweep: Floats, moment: Floats) -> Law:
    """Frequencies and fields of a driver whose current excites a pair, at the resonances of `modes` or at all."""

    def law(driver: Driver) -> tuple[Floats, Floats]:
        frequency, current = current_of(view, exciter.net, driver, highest_frequency(view))
        if modes is not None:
            keep = _at_resonance(frequency, modes.frequency, modes.quality)
            frequency, current = frequency[keep], current[keep]
        acting = current * _largest_near(sweep, moment, frequency)
        return frequency, edge_field_of(acting, frequency, view.settings.distance)

    return law


def _roughly(view: View, pair: PlanePair, highest: float) -> PairModes:
    """The modes on few cells, quickly, with a margin for what that costs."""
    try:
        return pair_modes(view, pair, MARGIN * highest, cells=FEW)
    except OutOfRange:  # a neck that few cells do not see
        return pair_modes(view, pair)


def _strengths(view: View, nets: set[int], resonances: Floats, highest: float) -> dict[int, float]:
    """Largest current of each net at the resonances, or at all where there are none, A."""
    alike: dict[tuple[Any, ...], list[int]] = defaultdict(list)
    for net in sorted(nets):
        driver = view.drivers[net]
        alike[driver.kind, driver.swing, driver.rise, driver.source, driver.rate].append(net)
    out = dict.fromkeys(nets, 0.0)
    for members in alike.values():
        driver = view.drivers[members[0]]
        frequency, level = level_by_frequency(driver, driver.swing, highest)
        if len(resonances):
            keep = _at_resonance(frequency, resonances, np.full(len(resonances), 30.0))
            frequency, level = frequency[keep], level[keep]
        known = [(net, z0) for net in members if (z0 := view.impedance_of(net)) is not None]
        if not known or not len(frequency):
            continue
        impedance, delay = np.array([[(z0, _delay(view, net))] for net, z0 in known]).T
        largest = over_delays(largest_current, level, driver.source, impedance.T, delay.T, frequency).max(axis=1)
        out.update((net, float(value)) for (net, _), value in zip(known, largest, strict=True))
    return out


def _at_resonance(frequency: Floats, resonances: Floats, quality: Floats) -> Floats:
    if not len(frequency):
        return np.zeros(0, dtype=bool)
    off = np.abs(frequency[:, None] / resonances - 1)
    return np.asarray((off <= TOLERANCE + 0.5 / quality).any(axis=1))


def _largest_near(sweep: Floats, values: Floats, frequency: Floats) -> Floats:
    """The largest value of a sweep within TOLERANCE of each frequency."""
    low = np.searchsorted(sweep, frequency * (1 - TOLERANCE))
    high = np.searchsorted(sweep, frequency * (1 + TOLERANCE), side="right")
    between = np.array([values[a:b].max(initial=0.0) for a, b in zip(low, high, strict=True)])
    return np.maximum(between, np.interp(frequency, sweep, values))


def _at_nearest(solved: plane_pair_solver.PlanePair, points: Floats) -> Floats:
    """(n, m) fields of the nearest cell to each point, the mean of those that are equally near."""
    held = np.argwhere(solved.cell >= 0)
    rows = solved.cell[held[:, 0], held[:, 1]]
    answer = cKDTree(solved.grid.centre[held[:, 0], held[:, 1]]).query(points, k=min(4, len(held)))
    distance, found = (np.asarray(column).reshape(len(points), -1) for column in answer)
    equal = distance <= distance[:, :1] * (1 + 1e-6)
    fields = solved.fields[rows[found]] * equal[..., None]
    return np.asarray(fields.sum(axis=1) / equal.sum(axis=1)[:, None])


def _to_the_edge(modes: PairModes, highest: float) -> tuple[Floats, Floats, Complexes]:
    """Frequencies (f,), moment of the outer edge for a current at each port (f, p), V m per A, and each port's own
    impedance (f, p), ohm. What stands for a port on a tie means nothing."""
    pair, solved, expansion = modes.pair, modes.solved, modes.expansion
    width = 1 / modes.quality
    near = modes.frequency[:, None] * (1 + np.linspace(-0.5, 0.5, 5) * width[:, None])
    f = np.unique(np.concatenate([near.ravel(), np.geomspace(0.9 * LOWEST, 1.03 * highest, SWEEP)]))
    grid = solved.grid
    outer = pair.shape.exterior.simplify(min(grid.dx, grid.dy) / 10)
    middle, along = stretches(shapely.get_coordinates(outer), STRETCHES)
    edge = expansion.mixture @ _at_nearest(solved, middle).T
    zs, k2 = pair.material.series(f), -pair.material.series(f) * pair.material.shunt(f)
    gain = zs[:, None] / (expansion.eigenvalues[None, :] - k2[:, None])
    shapes = np.ascontiguousarray(expansion.shapes[:, modes.ports])
    with one_thread():
        return f, _moments(middle, along, edge, gain, shapes, f), gain @ shapes**2


@kept_by_content(64)
def _moments(middle: Floats, along: Floats, edge: Floats, gain: Complexes, shapes: Floats, frequency: Floats) -> Floats:
    """(f, p) moment of an edge. edge : (n, s) of each mode at its stretches; gain : (f, n); shapes : (n, p)"""
    out = np.empty((len(frequency), shapes.shape[1]))
    for first in range(0, len(frequency), AT_ONCE):
        rows = slice(first, first + AT_ONCE)
        excited = gain[rows, :, None] * shapes
        voltage = (edge.T @ excited.view(np.float64)).view(np.complex128)
        out[rows] = edge_moment(middle, along, voltage, frequency[rows])
    return out
