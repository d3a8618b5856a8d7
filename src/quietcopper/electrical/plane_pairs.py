"""Plane pairs of a board as they are solved: shape, materials, ties, the capacitors on them, impedance at pins.

For whoever wants the impedance of a supply (stable interface):

    plane_pairs(view)                                   every pair, largest capacitance first; kept in view.plane_pairs
    impedance_at_pins(view, pins, frequency, without=…) what pins of one supply net see of their planes: PinImpedance
    PinImpedance.alone, .together                       ohm over frequency, each pin by itself, all of them in parallel
    PinImpedance.capacitors                             the capacitors that were counted, with their mounting
    PlanePair.capacitors, .ties, .material, .shape      the parts of it

A pair is one connected piece of two facing areas. Its edges are open, so what passes over the gap of a split plane, or
round the outer edge to another pair, is left out; so are other pairs in parallel with it (both leave the impedance
high). Regulators and the parts' own capacitance are left out as well.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray

from quietcopper.board import Board
from quietcopper.board.model import Floats, Ints
from quietcopper.electrical.laminate import sheets_between
from quietcopper.electrical.legs import Mounted, leg_of, loop_inductance, mounted_capacitors
from quietcopper.electrical.tables import GROUND
from quietcopper.errors import OutOfRange
from quietcopper.fields import plane_pair_solver as solver
from quietcopper.fields.cavity import Pair, with_admittances

if TYPE_CHECKING:
    from quietcopper.electrical.view import View

Complexes = NDArray[np.complex128]

SMALLEST = 10e-6  # m2; smaller pieces are the rims of openings and the copper beside pads


@dataclass(frozen=True, eq=False)
class PlanePair:
    """One connected piece of two facing areas.

    upper, lower : rows in board.areas; upper_layer, lower_layer; facing : row in view.facing
    shape : facing copper, m, openings of either side as holes; area : m2; material : spacing, er, losses
    ties : rows in board.vias of the holes that join both areas within the piece
    capacitors : that join the two areas here
    """

    upper: int
    lower: int
    upper_layer: int
    lower_layer: int
    facing: int
    shape: shapely.Polygon
    area: float
    material: Pair
    ties: Ints
    capacitors: tuple[Mounted, ...]

    @property
    def capacitance(self) -> float:
        """F, without fringes."""
        return float(self.material.capacitance(self.area))

    def holds(self, x: float, y: float) -> bool:
        """Whether a place lies within the outer edge (the openings count as inside)."""
        return bool(shapely.intersects_xy(shapely.Polygon(self.shape.exterior), x, y))


def plane_pairs(view: View) -> tuple[PlanePair, ...]:
    """Every plane pair of at least `SMALLEST`, largest capacitance first. Nothing is solved yet."""
    board, facing = view.board, view.facing
    out = []
    for row in np.flatnonzero(facing.area >= SMALLEST).tolist():
        upper, lower = int(facing.upper[row]), int(facing.lower[row])
        parts = [p for p in shapely.get_parts(facing.shape[row]).tolist() if p.area >= SMALLEST]
        if not parts:
            continue
        material = _material(board, int(facing.upper_layer[row]), int(facing.lower_layer[row]))
        both = np.intersect1d(view.vias_on(upper), view.vias_on(lower))
        capacitors = mounted_capacitors(view, upper, lower)
        for part in parts:
            whole = shapely.Polygon(part.exterior)
            shapely.prepare(whole)
            inside = shapely.intersects_xy(whole, board.vias.x[both], board.vias.y[both])
            here = tuple(c for c in capacitors if shapely.intersects_xy(whole, c.x, c.y))
            ends = int(facing.upper_layer[row]), int(facing.lower_layer[row])
            out.append(PlanePair(upper, lower, *ends, row, part, part.area, material, both[inside], here))
    return tuple(sorted(out, key=lambda p: (-round(p.capacitance, 15), p.upper, p.lower, p.shape.bounds)))


def _material(board: Board, upper: int, lower: int) -> Pair:
    """The sheets between two layers in series; the thinner and the worse of the two coppers stands for both."""
    sheets = sheets_between(board, upper, lower)
    share = np.array([sheet.thickness / sheet.er for sheet in sheets])
    distance = board.distance(upper, lower)
    loss = float(np.dot(share, [sheet.tan_d for sheet in sheets]) / share.sum())
    layers = board.layers[upper], board.layers[lower]
    return Pair(
        distance,
        distance / float(share.sum()),
        loss,
        min(layer.conductivity for layer in layers),
        min(layer.thickness for layer in layers),
    )


@dataclass(frozen=True, eq=False)
class PinImpedance:
    """What pins of one net see of their plane pair.

    frequency : (f,) Hz; pins : (p,) rows in board.pins; z : (f, p, p) ohm between the places where the pins' current
    enters the pair; connection : (p,) H, of the loop between pin and planes, not in z
    capacitors : counted in z
    """

    pair: PlanePair
    frequency: Floats
    pins: Ints
    z: Complexes
    connection: Floats
    capacitors: tuple[Mounted, ...]

    @property
    def whole(self) -> Complexes:
        """(f, p, p) ohm at the pins: z with the connections."""
        series = 2j * np.pi * self.frequency[:, None] * self.connection
        return self.z + series[:, :, None] * np.eye(len(self.pins))

    @property
    def alone(self) -> Complexes:
        """(f, p) ohm seen at each pin, no current in the others."""
        return np.einsum("fii->fi", self.whole)

    @property
    def together(self) -> Complexes:
        """(f,) ohm seen at all pins joined in parallel."""
        return 1 / np.linalg.inv(self.whole).sum((1, 2))


def impedance_at_pins(
    view: View, pins: Sequence[int], frequency: Floats, *, without: Collection[int] = ()
) -> PinImpedance:
    """What pins (rows in board.pins) of one supply net see of the net's planes against ground, at frequencies in Hz.

    The pair is the one with ground at the smallest distance that most of the pins reach. Pins that do not reach it are
    left out of the result (`PinImpedance.pins`). without : rows in board.parts of capacitors to be taken off the board.
    Raises OutOfRange, one sentence, where the net has no copper facing ground, or no pin reaches it.
    """
    board = view.board
    net = int(board.pins.net[pins[0]])
    best: tuple[tuple[int, float], PlanePair, list[_Port]] | None = None
    for pair in view.plane_pairs:
        side = [int(board.areas.net[a]) for a in (pair.upper, pair.lower)]
        if net not in side or view.roles[side[1 - side.index(net)]].kind != GROUND:
            continue
        ports = [port for pin in pins if (port := _port(view, pair, int(pin), side.index(net))) is not None]
        rank = (len(ports), -pair.material.spacing)
        if ports and (best is None or rank > best[0]):
            best = rank, pair, ports
    if best is None:
        raise OutOfRange(f"no plane of {board.nets[net]} that faces ground is reached from these pins")
    _, pair, ports = best
    capacitors = tuple(c for c in pair.capacitors if c.part not in set(without))
    frequency = np.atleast_1d(np.asarray(frequency, dtype=float))
    z = pair_impedance(view, pair, [(p.x, p.y, p.radius) for p in ports], frequency, capacitors)
    rows = np.array([p.pin for p in ports], dtype=np.int32)
    return PinImpedance(pair, frequency, rows, z, np.array([p.inductance for p in ports]), capacitors)


def pair_impedance(
    view: View,
    pair: PlanePair,
    ports: Sequence[tuple[float, float, float]],
    frequency: Floats,
    capacitors: Sequence[Mounted] | None = None,
) -> Complexes:
    """Impedance matrix (f, p, p) between ports (x, y, radius; m) of a pair with its ties and capacitors, ohm.

    capacitors : None for those of the pair. Ports and capacitors that touch count as one place. Raises OutOfRange where
    a port lies off the pair or on one of its ties.
    """
    capacitors = pair.capacitors if capacitors is None else capacitors
    vias = view.board.vias
    ties = np.stack([vias.x[pair.ties], vias.y[pair.ties], vias.drill[pair.ties] / 2], -1)
    wanted = np.array([*ports, *((c.x, c.y, c.radius) for c in capacitors)], dtype=float).reshape(-1, 3)
    places, index = _places(wanted, ties)
    if np.any(index[: len(ports)] < 0):
        raise OutOfRange("a port stands on a via that joins the two planes")
    solved = solve(pair.material, pair.shape, float(np.max(frequency)), places, ties)
    omega = 2 * np.pi * frequency
    admittance = np.zeros((len(frequency), len(places)), dtype=complex)
    for c, at in zip(capacitors, index[len(ports) :].tolist(), strict=True):
        if at >= 0:
            admittance[:, at] += 1 / (c.resistance + 1j * (omega * c.inductance - 1 / (omega * c.capacitance)))
    return with_admittances(pair.material, solved.expansion, frequency, index[: len(ports)], admittance)


def _places(wanted: Floats, ties: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """Distinct places (n, 3) among (x, y, radius), and which of them stands for each; -1 on a tie."""
    kept: list[Floats] = []
    index = np.full(len(wanted), -1, dtype=np.intp)
    for i, (x, y, radius) in enumerate(wanted):
        if len(ties) and np.any(np.hypot(ties[:, 0] - x, ties[:, 1] - y) < radius + ties[:, 2]):
            continue
        near = [k for k, p in enumerate(kept) if np.hypot(p[0] - x, p[1] - y) < 1.01 * (p[2] + radius)]
        if not near:
            kept.append(wanted[i])
        index[i] = near[0] if near else len(kept) - 1
    return np.array(kept).reshape(-1, 3), index


def solve(material: Pair, shape: shapely.Polygon, highest: float, places: Floats, ties: Floats) -> solver.PlanePair:
    """A piece solved, kept by content: places, ties (n, 3) x, y, radius in m."""
    return _solve(
        material, shape, highest, np.ascontiguousarray(places).tobytes(), np.ascontiguousarray(ties).tobytes()
    )


@lru_cache(maxsize=128)
def _solve(material: Pair, shape: shapely.Polygon, highest: float, places: bytes, ties: bytes) -> solver.PlanePair:
    at = np.frombuffer(places).reshape(-1, 3)
    shorts = np.frombuffer(ties).reshape(-1, 3)
    return solver.solve(material, shape, highest, at[:, :2], at[:, 2], ties=shorts[:, :2], tie_radius=shorts[:, 2])


@dataclass(frozen=True)
class _Port:
    pin: int
    x: float
    y: float
    radius: float
    inductance: float


def _port(view: View, pair: PlanePair, pin: int, side: int) -> _Port | None:
    """Where a pin's current enters a pair of which its net is the upper (0) or lower (1) side; None where it does
    not reach it."""
    board = view.board
    own, other = (pair.upper, pair.lower) if side == 0 else (pair.lower, pair.upper)
    mine = leg_of(view, pin, own)
    if mine is None:
        return None
    back = leg_of(view, pin, other)
    mounted_below = bool(board.parts.side[board.pins.part[pin]])
    # From above, what crosses the pair is the way to the lower plane.
    crossing = mine if (side == 1) != mounted_below else back
    if crossing is None or not pair.holds(crossing.x, crossing.y):
        return None
    inductance = loop_inductance(view, pair.upper_layer, pair.lower_layer, mounted_below, mine, back)
    return _Port(pin, crossing.x, crossing.y, crossing.radius, inductance)
